"""False alarms and hits of the faults that only a night shows.

    python -m tests.benchmarks.night_bench [NIGHTS [FIRST_SEED]]

Draws so many nights (200 by default) of passes with two microphones whose levels and
spectra scatter as knobs and players make them, and of lags as interfaces and hands make
them; then as many with a warming amplifier, with swapped cables and with a buffer that
was changed by 32 to 512 samples. Prints how often each finding came.
"""

import sys
from collections import Counter

import numpy as np

from pipeline.models.record import Capture, Latency
from pipeline.stages.align import Lagged, judge_buffer
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


def lags(rng: np.random.Generator, fault: str) -> list[Lagged]:
    """Draw the lags of one night: 3 to 20 passes of one to three microphones.

    The session program starts the passes together, or a hand does; a microphone is
    named or not, its distance written or not. It creeps by millimetres between passes,
    and now and then stands somewhere else.
    """
    passes, mics = int(rng.integers(3, 21)), int(rng.integers(1, 4))
    together = fault == "buffer" or rng.random() < 0.7
    named, written = rng.random() < 0.6, rng.random() < 0.4
    away = rng.uniform(3.0, 60.0, mics)
    late = int(rng.integers(1, passes)) if fault == "buffer" else passes
    found = []
    for number in range(passes):
        start = 600.0 if together else float(rng.uniform(0.0, 48_000.0))
        start += 32.0 * int(rng.integers(1, 17)) if number == late else 0.0
        for mic in range(mics):
            farther = float(rng.uniform(10.0, 400.0)) * (rng.random() < 0.1)
            flight = away[mic] + abs(rng.normal()) + farther * (named or written)
            unknown = 0.0 if written else farther * (not named)
            found.append(
                Lagged(
                    f"p{number}-{mic}",
                    f"p{number}",
                    _latency(start + flight + unknown + 0.3 * rng.normal()),
                    flight_samples=flight if written else 0.0,
                    stand=f"{mic}{' away' if named and farther else ''}",
                    known=named or written,
                )
            )
    return found


def _latency(samples: float) -> Latency:
    return Latency(
        samples=samples, ms=samples / 48, polarity=1, confidence=1.0, drift_ppm=None
    )


def main(nights: int, first_seed: int) -> None:
    """Print the table."""
    for fault in ("none", "warming", "swapped", "buffer"):
        codes: Counter[str] = Counter()
        for seed in range(first_seed, first_seed + nights):
            said = judge_night(night(np.random.default_rng(seed), fault))
            moved = judge_buffer(lags(np.random.default_rng(seed), fault))
            every = [f for found in said.values() for f in found] + [*moved.values()]
            codes.update({finding.code for finding in every})
        print(f"fault {fault}: {nights} nights, {dict(codes) or 'no alarm'}")


if __name__ == "__main__":
    main(
        *(int(text) for text in (*sys.argv[1:], *("200", "30000")[len(sys.argv) - 1 :]))
    )
