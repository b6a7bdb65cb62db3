"""Judge the relation of two microphones on random scenes with a known truth.

Run: python -m tests.benchmarks.pairs_bench [scenes of each kind] [first seed]

Prints, for close and far pairs of analogue and digital chains: error in samples,
how often the stated 95 percent interval holds, wrong polarities, and beside it the
peak of plain correlation and of the phase transform; then, for close pairs of nights
of four passes of three microphones, each pair alone and settled with the others of
its night; then the CPU seconds for one pair of 180 s.
"""

import os

# One thread, or the CPU seconds count threads that wait.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import importlib.util
import sys
import time
from pathlib import Path

import numpy as np
from scipy import fft

from pipeline.dsp.pairs import odds_from_others, relate_mics

PATH = Path(__file__).parents[1] / "dsp" / "pairs" / "scenes.py"
SPEC = importlib.util.spec_from_file_location("scenes", PATH)
scenes = importlib.util.module_from_spec(SPEC)
sys.modules["scenes"] = scenes
SPEC.loader.exec_module(scenes)


def correlation_peak(a, b, *, whiten: bool) -> float:
    """Peak of the correlation with a parabola, as everyone does it."""
    size = fft.next_fast_len(2 * a.size, real=True)
    cross = fft.rfft(b, size) * fft.rfft(a, size).conj()
    if whiten:
        cross /= np.abs(cross) + 1e-12
    r = np.abs(fft.irfft(cross, size))
    lags = np.arange(-700, 701)
    at = int(lags[np.argmax(r[lags])])
    left, mid, right = r[at - 1], r[at], r[at + 1]
    return at + 0.5 * (left - right) / (left - 2 * mid + right)


def row(name: str, errors: np.ndarray, extra: str = "") -> None:
    size = np.abs(errors)
    print(
        f"  {name:<14} bias {np.median(errors):+7.3f}  median {np.median(size):7.3f}"
        f"  95 % {np.percentile(size, 95):8.3f}  max {size.max():8.3f}  {extra}"
    )


def judge(count: int, seed: int, *, digital: bool) -> None:
    played = scenes.sources(seed, digital=digital)
    found = []
    for index in range(count):
        made = scenes.scene(seed + 1 + index, played, digital=digital)
        start = time.process_time()
        estimate = relate_mics(made.a, made.b, scenes.RATE_HZ)
        spent = time.process_time() - start
        truth = made.delay_samples
        plain = correlation_peak(made.a, made.b, whiten=False) - truth
        phat = correlation_peak(made.a, made.b, whiten=True) - truth
        found.append((made, estimate, plain, phat, spent))
    for far in (False, True):
        chosen = [f for f in found if f[0].facts["far"] is far]
        known = [f for f in chosen if f[1] is not None]
        errors = np.array([e.delay_samples - m.delay_samples for m, e, *_ in known])
        half = np.array([e.uncertainty_samples for _, e, *_ in known])
        wrong = sum(e.polarity == -m.polarity for m, e, *_ in known)
        unsure = sum(e.polarity is None for _, e, *_ in known)
        trusted = np.array([e.confidence > 0.9 for _, e, *_ in known])
        sure = np.abs(errors[trusted])
        held = 100 * np.mean(np.abs(errors) <= half)
        print(
            f"{'digital' if digital else 'analogue'}, {'far' if far else 'close'}:"
            f" {len(chosen)} scenes, {len(chosen) - len(known)} refused,"
            f" polarity {wrong} wrong, {unsure} undetermined"
        )
        row(
            "this",
            errors,
            f"interval holds {held:.0f} %, half width {np.median(half):.2f},"
            f" worst at confidence > 0.9: {max(sure, default=0):.2f}"
            f" (n {len(sure)})",
        )
        row("correlation", np.array([f[2] for f in chosen]))
        row("phase transf.", np.array([f[3] for f in chosen]))
    print(f"  CPU {np.median([f[4] for f in found]):.3f} s a pair of 12 s")


def judge_nights(count: int, seed: int, *, digital: bool) -> None:
    played = scenes.sources(seed, digital=digital)
    alone, together = [], []
    for index in range(count):
        pairs = scenes.night(seed + 1 + index, played, digital=digital)
        found = [(relate_mics(p.a, p.b, scenes.RATE_HZ), p) for p in pairs]
        known = [(e.families, p.delay_samples) for e, p in found if e is not None]
        others = odds_from_others([families.odds for families, _ in known])
        for (families, truth), odds in zip(known, others, strict=True):
            for readings, told in ((alone, 0.0), (together, odds)):
                reading = families.settled(told)
                error = reading.delay_samples - truth
                readings.append((error, reading.half_width_samples))
    print(f"{'digital' if digital else 'analogue'}: {count} nights")
    for name, readings in (("alone", alone), ("together", together)):
        errors, half = np.array(readings).T
        held = 100 * np.mean(np.abs(errors) <= half)
        extra = f"interval holds {held:.0f} %, half width {np.median(half):.2f}"
        row(name, errors, extra)


def cost() -> None:
    played = scenes.sources(5, digital=True, count=2)
    made = scenes.scene(9, played, digital=True, far=False)
    a, b = np.tile(made.a, 15), np.tile(made.b, 15)
    relate_mics(a, b, scenes.RATE_HZ)
    start = time.process_time()
    for _ in range(5):
        relate_mics(a, b, scenes.RATE_HZ)
    print(f"CPU {(time.process_time() - start) / 5:.3f} s a pair of 180 s")


if __name__ == "__main__":
    scene_count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    first_seed = int(sys.argv[2]) if len(sys.argv) > 2 else 50_000
    for kind in (False, True):
        judge(scene_count, first_seed, digital=kind)
    for kind in (False, True):
        judge_nights(scene_count // 5, first_seed, digital=kind)
    cost()
