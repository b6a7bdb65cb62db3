"""False alarms and hits of the fault detectors on random scenes.

    python -m tests.benchmarks.faults_bench [SCENES [FIRST_SEED]]

Draws so many scenes without a fault (200 by default) from every plain family and
from those with effects, then a fifth as many with each fault, and prints how
often each detector spoke. Clipping and drop-outs also judge the DI of each.
"""

import sys
from collections import Counter

import numpy as np

from pipeline.dsp.activity import active_frames, frame_power
from pipeline.dsp.bleed import find_bleed
from pipeline.dsp.clipping import find_clipping
from pipeline.dsp.faults import find_dropouts
from pipeline.dsp.linearity import cross_spectra
from pipeline.dsp.mutes import find_gate
from pipeline.dsp.noise import find_hum
from tests.scenes.build import random_scene
from tests.scenes.families import PLAIN
from tests.scenes.scene import Scene

CLEAN = (*PLAIN, "machine", "octave", "echo", "chorus", "wah", "held out")
HUM_FREE = frozenset(CLEAN) - {"noise"}
FAULTY = ("clipped", "gated", "bleed")


def aligned(scene: Scene) -> tuple[np.ndarray, float, float]:
    """Put the capture on the DI's time by the truth; say where it has samples."""
    lag = round(scene.truth.latency_samples)
    first = max(lag, 0)
    part = scene.capture[first : lag + len(scene.di)]
    x = np.zeros(len(scene.di), np.float32)
    x[first - lag : first - lag + len(part)] = part
    rate = scene.sample_rate_hz
    return x, (first - lag) / rate, (first - lag + len(part)) / rate


def alarms(scene: Scene) -> dict[str, object]:
    """What each detector says of a scene; None or empty is silence."""
    rate = scene.sample_rate_hz
    x, start_s, stop_s = aligned(scene)
    activity = active_frames(scene.di, rate).within(start_s, stop_s)
    cross = cross_spectra(scene.di, x, rate, activity)
    span = slice(*(round(s * rate) for s in (start_s, stop_s)))
    powers = [frame_power(signal[span], rate) for signal in (scene.di, x)]
    return {
        "clipping": find_clipping(scene.capture, rate),
        "clipping of the DI": find_clipping(scene.di, rate),
        "drop-outs": find_dropouts(scene.capture, rate),
        "drop-outs of the DI": find_dropouts(scene.di, rate),
        "gate": find_gate(*powers),
        "bleed": None if cross is None else find_bleed(cross),
        "hum": None if cross is None else find_hum(cross.noise),
    }


def main(scenes: int, first_seed: int) -> None:
    """Print the table."""
    spoke: Counter[tuple[str, str]] = Counter()
    drawn: Counter[str] = Counter()
    plan = [CLEAN[k % len(CLEAN)] for k in range(scenes)]
    plan += [family for family in FAULTY for _ in range(scenes // 5)]
    for seed, family in enumerate(plan, start=first_seed):
        group = family if family in FAULTY else "clean"
        scene = random_scene(np.random.default_rng(seed), family=family)
        drawn[group] += 1
        for name, found in alarms(scene).items():
            if name == "hum" and family not in HUM_FREE:
                continue
            if found:
                spoke[group, name] += 1
                if group == "clean":
                    print(f"seed {seed}, {family}: {name}: {found}", flush=True)
    for group, count in drawn.items():
        said = {name: n for (g, name), n in sorted(spoke.items()) if g == group}
        print(f"{group}: {count} scenes, {said or 'no alarm'}")


if __name__ == "__main__":
    main(
        *(int(text) for text in (*sys.argv[1:], *("200", "20000")[len(sys.argv) - 1 :]))
    )
