"""False alarms and hits of the faults that only a night shows.

    python -m tests.benchmarks.night_bench [NIGHTS [FIRST_SEED]]

Draws so many nights (200 by default) of passes with two microphones whose levels and
spectra scatter as knobs and players make them, then as many with a warming amplifier
and with swapped cables, and prints how often each finding came.
"""

import sys
from collections import Counter

import numpy as np

from pipeline.models.record import Capture
from pipeline.stages.night import judge_night
from tests.stages.test_night import BANDS, one


def night(rng: np.random.Generator, fault: str) -> list[Capture]:
    """Draw one night: 6 to 20 passes of two microphones that may stand alike."""
    shape = rng.normal(size=(2, BANDS)).cumsum(axis=1)
    shape[1] = shape[0] + rng.uniform(0.2, 1.5) * (shape[1] - shape[0])
    scatter_db = rng.uniform(0.1, 1.0)
    passes = int(rng.integers(6, 21))
    rise = rng.uniform(1.5, 4.0) if fault == "warming" else 0.0
    swapped_at = int(rng.integers(1, passes)) if fault == "swapped" else passes
    found = []
    for number in range(passes):
        order = (1, 0) if number >= swapped_at else (0, 1)
        drift = rise * (1.0 - np.exp(-3.0 * number / passes))
        for channel, index in enumerate(order, start=1):
            colour = shape[index] + scatter_db * rng.normal(size=BANDS)
            level = -20.0 + drift + 0.3 * rng.normal()
            found.append(one(number, level=level, colour=colour, channel=channel))
    return found


def main(nights: int, first_seed: int) -> None:
    """Print the table."""
    for fault in ("none", "warming", "swapped"):
        codes: Counter[str] = Counter()
        for seed in range(first_seed, first_seed + nights):
            said = judge_night(night(np.random.default_rng(seed), fault))
            codes.update({f.code for one_found in said.values() for f in one_found})
        print(f"fault {fault}: {nights} nights, {dict(codes) or 'no alarm'}")


if __name__ == "__main__":
    main(
        *(int(text) for text in (*sys.argv[1:], *("200", "30000")[len(sys.argv) - 1 :]))
    )
