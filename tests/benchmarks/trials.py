"""One scene put before the latency estimator and before two textbook methods.

Errors are estimate minus truth, in samples at 48 kHz whatever the scene's
rate. A trial is known by family, seed and number, so any line of a table can
be heard and drawn again.
"""

import multiprocessing
import time
import zlib
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from scipy import fft

from pipeline.dsp.latency import (
    ArraySource,
    DiReference,
    LatencyEstimate,
    estimate_latency,
    prepare_di,
    speed_ratio,
)
from tests.scenes import Scene, random_scene

T = TypeVar("T")
R = TypeVar("R")

JOBS = 2
GROSS = 48.0
CERTAIN = 0.9
CERTAIN_WITHIN = 3.0
NEAR_S = 0.25
RATE_HZ = 48_000


@dataclass(frozen=True, slots=True)
class Trial:
    """A scene to be drawn: family, the bench's seed, number in the family."""

    family: str
    seed: int
    number: int

    def scene(self) -> Scene:
        """Draw the scene; the same trial always gives the same one."""
        name = zlib.crc32(self.family.encode())
        rng = np.random.default_rng([self.seed, name, self.number])
        return random_scene(rng, family=self.family)


@dataclass(frozen=True, slots=True)
class Guess:
    """What a method says: error in samples at 48 kHz, and the sign it saw."""

    error: float
    wrong_sign: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """A trial's truth and what came of it; ``crash`` is an exception's text."""

    trial: Trial
    labels: dict[str, str]
    verdict_expected: str
    bound: float | None = None
    hidden: float = 0.0
    error: float | None = None
    verdict: str = "crash"
    confidence: float = 0.0
    uncertainty: float | None = None
    polarity: str = "undetermined"
    doubts: tuple[str, ...] = ()
    varying: bool = False
    drift_error_ppm: float | None = None
    speed_ratio: float | None = None
    jumps_true: int = 0
    jumps_false: int = 0
    jump_errors: tuple[tuple[float, float, float], ...] = ()
    measures: dict[str, float] = field(default_factory=dict)
    cpu_s: float = 0.0
    plain: Guess | None = None
    phat: Guess | None = None
    crash: str = ""

    @property
    def covered(self) -> bool | None:
        """Whether the stated 95 percent interval holds the truth."""
        if self.error is None or self.uncertainty is None:
            return None
        return abs(self.error) <= self.uncertainty

    @property
    def certain_and_wrong(self) -> bool:
        """Confidence above 0.9 although wrong by more than 3 samples."""
        if self.error is None or self.confidence <= CERTAIN:
            return False
        return self.verdict_expected == "refuse" or abs(self.error) > CERTAIN_WITHIN


def _peak(correlation: np.ndarray, truth: float) -> tuple[float, float]:
    """Return place (parabola through three points) and sign of the largest peak."""
    at = int(np.argmax(np.abs(correlation)))
    before, top, after = correlation[[at - 1, at, (at + 1) % correlation.size]]
    bend = before - 2 * top + after
    offset = 0.0 if bend == 0 else float((before - after) / (2 * bend))
    # Lags wrap around: take the turn that lies nearest to the truth.
    turns = np.round((at + offset - truth) / correlation.size)
    return float(at + offset - turns * correlation.size), float(np.sign(top))


def textbook(scene: Scene) -> dict[str, Guess]:
    """Plain cross-correlation and the phase transform (Knapp and Carter 1976)."""
    size = fft.next_fast_len(scene.di.size + scene.capture.size, real=True)
    cross = fft.rfft(scene.capture, size) * np.conj(fft.rfft(scene.di, size))
    level = np.abs(cross)
    flat = cross / np.maximum(level, max(1e-12, 1e-9 * float(level.max())))
    truth, rate = scene.truth, scene.sample_rate_hz
    guesses = {}
    for name, spectrum in (("plain", cross), ("phat", flat)):
        lag, sign = _peak(fft.irfft(spectrum, size), truth.latency_samples)
        wrong = truth.polarity is not None and sign != truth.polarity
        error = (lag - truth.latency_samples) * RATE_HZ / rate
        guesses[name] = Guess(float(error), bool(wrong))
    return guesses


def _polarity(found: int | None, true: int | None) -> str:
    if found is None:
        return "undetermined"
    if true is None:
        return "of no meaning"
    return "right" if found == true else "wrong"


def _outside(at_s: float, first_s: float, last_s: float) -> float:
    """Return how far a time lies outside a stretch; every time inside is right."""
    return at_s - min(max(at_s, first_s), last_s)


def _jumps(
    scene: Scene, estimate: LatencyEstimate
) -> tuple[list[tuple[float, float, float]], int]:
    """Pair true with found jumps; return (size, time, stated range) and false ones.

    The truth counts in the capture's time, the estimate in the DI's. What was
    lost lies after the jump, what was repeated before it: within that stretch
    nobody can say where the cut was.
    """
    left = list(estimate.jumps)
    errors = []
    lag, rate = scene.truth.latency_samples, scene.sample_rate_hz
    stretch = 1.0 + scene.truth.drift_ppm * 1e-6
    for jump in scene.truth.jumps:
        at_s = (jump.at_s - lag / rate) / stretch
        lag += jump.samples
        other_s = at_s - jump.samples / rate
        first_s, last_s = sorted((at_s, other_s))
        near = [
            found
            for found in left
            if abs(_outside(found.at_s, first_s, last_s))
            < max(NEAR_S, found.uncertainty_s)
        ]
        if near:
            best = min(near, key=lambda found: abs(found.samples - jump.samples))
            left.remove(best)
            late_s = _outside(best.at_s, first_s, last_s)
            errors.append((best.samples - jump.samples, late_s, best.uncertainty_s))
    return errors, len(left)


def _scaled(samples: float | None, sample_rate_hz: int) -> float | None:
    return None if samples is None else samples * RATE_HZ / sample_rate_hz


def _measures(estimate: LatencyEstimate) -> dict[str, float]:
    return {
        "explained": estimate.explained_share,
        "vote": estimate.window_vote,
        "agreement": estimate.phase_agreement,
        "sign ratio": estimate.polarity_ratio,
        "rival": estimate.rival_ratio,
        "usable kHz": estimate.usable_to_hz / 1000,
    }


def judge(trial: Trial, scene: Scene, reference: DiReference | None = None) -> Outcome:
    """Put a scene before all methods; a crash of the estimator is an outcome."""
    truth = scene.truth
    labels = dict(truth.labels)
    if truth.drift_ppm:
        labels["drift"] = f"{truth.drift_ppm:+.1f} ppm"
    if truth.jumps:
        labels["jumps"] = " ".join(f"{j.at_s:.2f}s{j.samples:+d}" for j in truth.jumps)
    known = Outcome(trial, labels, truth.verdict_expected, truth.bound_samples)
    source = ArraySource(scene.capture)
    known = _replaced(
        known, hidden=truth.hidden_samples * RATE_HZ / scene.sample_rate_hz
    )
    ratio = None
    try:
        if reference is None:
            reference = prepare_di(scene.di, scene.sample_rate_hz)
        start = time.process_time()
        estimate = estimate_latency(reference, source)
        cpu_s = time.process_time() - start
        if estimate.verdict != "match":
            ratio = speed_ratio(reference, source)
    except Exception as error:  # noqa: BLE001 - a crash is a result to be counted
        return _replaced(known, crash=f"{type(error).__name__}: {error}")
    errors, extra = _jumps(scene, estimate)
    drift = estimate.drift_ppm
    late = estimate.samples - truth.latency_samples
    guesses = textbook(scene)
    return _replaced(
        known,
        error=late * RATE_HZ / scene.sample_rate_hz,
        verdict=estimate.verdict,
        confidence=estimate.confidence,
        uncertainty=_scaled(estimate.uncertainty_samples, scene.sample_rate_hz),
        polarity=_polarity(estimate.polarity, truth.polarity),
        doubts=tuple(estimate.doubts),
        varying=estimate.varying,
        drift_error_ppm=None if drift is None else drift - truth.drift_ppm,
        speed_ratio=ratio,
        jumps_true=len(truth.jumps),
        jumps_false=extra,
        jump_errors=tuple(errors),
        measures=_measures(estimate),
        cpu_s=cpu_s,
        plain=guesses["plain"],
        phat=guesses["phat"],
    )


def _replaced(outcome: Outcome, **values: object) -> Outcome:
    names = Outcome.__dataclass_fields__
    kept = {name: getattr(outcome, name) for name in names}
    return Outcome(**(kept | values))


def run(trial: Trial) -> Outcome:
    """Draw and judge one trial."""
    return judge(trial, trial.scene())


def campaign(work: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """Run the work on two processes, started afresh, results in order."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(JOBS, mp_context=context) as pool:
        return list(pool.map(work, items))


def table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    """Lay out rows under their heads, first column left, others right."""
    widths = [max(len(row[k]) for row in [head, *rows]) for k in range(len(head))]
    lines = []
    for row in [head, *rows]:
        cells = [row[0].ljust(widths[0])]
        cells += [
            cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True)
        ]
        lines.append("  ".join(cells))
    lines.insert(1, "-" * len(lines[0]))
    return "\n".join(lines)
