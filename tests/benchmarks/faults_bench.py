"""False alarms and hits of the fault detectors on random scenes.

    python -m tests.benchmarks.faults_bench [SCENES [FIRST_SEED]]

Draws so many scenes without a fault (200 by default) from every plain family and
from those with effects, then a fifth as many with each fault of the recording chain,
and plants the other faults into a fifth of the clean ones. Prints every false alarm as
it comes, and at the end how often each detector spoke. Clipping and drop-outs also
judge the DI of each. Faults that only a night shows are in night_bench.
"""

import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from pipeline.dsp.activity import active_frames, frame_power
from pipeline.dsp.bleed import find_bleed
from pipeline.dsp.clipping import find_clipping
from pipeline.dsp.faults import REPEATED_BLOCKS, find_dropouts
from pipeline.dsp.linearity import capture_spectra, di_spectra
from pipeline.dsp.mutes import STEADY_DB, find_gate, find_mute, level_range_db
from pipeline.dsp.noise import find_hum
from tests.scenes.build import random_scene
from tests.scenes.families import PLAIN
from tests.scenes.faults import hum
from tests.scenes.scene import Scene

CLEAN = (*PLAIN, "machine", "octave", "echo", "chorus", "wah", "held out")
HUM_FREE = frozenset(CLEAN) - {"noise"}
FAULTY = {
    "clipped": "flat tops at 30 to 80 % of the peak",
    "gated": "gate at 20 to 35 dB under the loudest",
    "bleed": "DI at no lag, 20 to 35 dB under the amp",
}
SHARE = 5


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
    cross = capture_spectra(di_spectra(scene.di, rate, activity), x, activity)
    span = slice(*(round(s * rate) for s in (start_s, stop_s)))
    powers = [frame_power(signal[span], rate) for signal in (scene.di, x)]
    moves_db = level_range_db(frame_power(scene.capture, rate))
    return {
        "clipping": find_clipping(scene.capture, rate),
        "clipping of the DI": find_clipping(scene.di, rate),
        "drop-outs": find_dropouts(scene.capture, rate),
        "drop-outs of the DI": find_dropouts(scene.di, rate),
        "gate": find_gate(*powers),
        "stand-by": find_mute(*powers),
        "nobody plays": moves_db is None or moves_db < STEADY_DB,
        "bleed": None if cross is None else find_bleed(cross),
        "hum": None if cross is None else find_hum(cross.noise),
    }


def _changed(scene: Scene, at_s: float, change: Callable[[np.ndarray], None]) -> Scene:
    """Change the capture from a time of the DI on."""
    x = scene.capture.copy()
    first = round(scene.truth.latency_samples + at_s * scene.sample_rate_hz)
    change(x[max(first, 0) :])
    return replace(scene, capture=x)


def lose_block(scene: Scene, rng: np.random.Generator) -> Scene:
    """Lose or repeat a driver's block where the capture is within 20 dB of its loud."""
    rate, block = scene.sample_rate_hz, int(rng.choice(REPEATED_BLOCKS))
    power = frame_power(aligned(scene)[0], rate)
    loud = np.flatnonzero(power > 0.01 * np.percentile(power, 95))
    loud = loud[(loud > 2) & (loud < len(power) - 3)]
    kind = rng.choice(["zero", "held", "repeated"])

    def lose(x: np.ndarray) -> None:
        before = x[:block].copy()
        lost = {"zero": 0.0, "held": before[-1], "repeated": before}
        x[block : 2 * block] = lost[str(kind)]

    return _changed(scene, 0.05 * float(rng.choice(loud)), lose)


def go_to_sleep(scene: Scene, rng: np.random.Generator) -> Scene:
    """Put the amplifier on stand-by for 2 to 6 s; the preamplifier's hiss stays."""
    rate = scene.sample_rate_hz
    frames = round(rng.uniform(2.0, 6.0) * rate)
    hiss = 1e-5 * rng.standard_normal(frames)

    def sleep(x: np.ndarray) -> None:
        x[:frames] = hiss[: len(x)]

    latest = max(0.0, (len(scene.di) - frames) / rate)
    return _changed(scene, float(rng.uniform(0.0, latest)), sleep)


def hum_along(scene: Scene, rng: np.random.Generator) -> Scene:
    """Add hum 25 to 45 dB under the whole capture."""
    level = float(np.sqrt(np.mean(scene.capture**2)))
    tone = hum(rng, len(scene.capture), scene.sample_rate_hz)
    loud = level * 10 ** (rng.uniform(-45.0, -25.0) / 20)
    return replace(scene, capture=(scene.capture + loud * tone).astype(np.float32))


PLANTED: dict[str, tuple[str, Callable[[Scene, np.random.Generator], Scene]]] = {
    "drop-outs": ("a block of 32 to 2048 lost, held or repeated", lose_block),
    "stand-by": ("asleep for 2 to 6 s", go_to_sleep),
    "hum": ("hum 25 to 45 dB under the whole", hum_along),
}
DETECTOR = {"clipped": "clipping", "gated": "gate", "bleed": "bleed"}


class Tally:
    """How often each detector spoke, rightly and wrongly."""

    def __init__(self) -> None:
        self.alarms: Counter[str] = Counter()
        self.judged: Counter[str] = Counter()
        self.hits: Counter[str] = Counter()
        self.planted: Counter[str] = Counter()

    def clean(self, seed: int, family: str, scene: Scene) -> None:
        """Count what is said of a scene without a fault."""
        for name, found in alarms(scene).items():
            if name == "hum" and family not in HUM_FREE:
                continue
            self.judged[name] += 1
            self.alarms[name] += bool(found)
            if found:
                print(f"seed {seed}, {family}: {name}: {found}", flush=True)

    def faulty(self, name: str, scene: Scene) -> None:
        """Count whether a planted fault is seen."""
        self.planted[name] += 1
        self.hits[name] += bool(alarms(scene)[name])

    def print(self) -> None:
        """Print the table."""
        how = {DETECTOR[family]: words for family, words in FAULTY.items()}
        how |= {name: words for name, (words, _) in PLANTED.items()}
        print(f"{'detector':20}  false alarms  hits")
        for name, judged in self.judged.items():
            alarm, hit = f"{self.alarms[name]} of {judged}", "-"
            if name in how:
                hit = f"{self.hits[name]} of {self.planted[name]}: {how[name]}"
            print(f"{name:20}  {alarm:12}  {hit}")


def main(scenes: int, first_seed: int) -> None:
    """Draw the scenes and print the table."""
    tally = Tally()
    for number in range(scenes):
        seed, family = first_seed + number, CLEAN[number % len(CLEAN)]
        scene = random_scene(np.random.default_rng(seed), family=family)
        tally.clean(seed, family, scene)
        # Every fifth, another one of the families each time round.
        if number % SHARE == number // len(CLEAN) % SHARE:
            for name, (_, plant) in PLANTED.items():
                rng = np.random.default_rng([seed, len(name)])
                tally.faulty(name, plant(scene, rng))
    for number, family in enumerate(list(FAULTY) * (scenes // SHARE)):
        rng = np.random.default_rng(first_seed + scenes + number)
        tally.faulty(DETECTOR[family], random_scene(rng, family=family))
    tally.print()


if __name__ == "__main__":
    main(
        *(int(text) for text in (*sys.argv[1:], *("200", "20000")[len(sys.argv) - 1 :]))
    )
