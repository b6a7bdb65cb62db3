"""How the lag moves over a capture: clock drift, lost samples, wandering tape.

Each clip's lag is followed from clip to clip against a running mean of the
clips before it, so that neither a steady drift nor a jump smears what it is
compared with. A model of one slope and a few steps is then fitted, the clips
are read again at the model's lags, and what is left refines it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.latency.excess import band_weight
from pipeline.dsp.latency.minimum_phase import Band
from pipeline.dsp.latency.spectra import ClipSpectra

MEMORY = 0.85
STEP_S = 4.0 / 48000.0
SMALLEST_JUMP_S = 6.0 / 48000.0
CALM_S = 1.5 / 48000.0
RELIABLE = 0.35
MANY_STEPS = 0.2
BESIDE_EDGE = 0.05
FAR_PENALTY = 0.35
WORTH_A_SLOPE = 1.25
CALM_SHARE = 0.9


@dataclass(frozen=True, slots=True)
class Motion:
    """Lag as a function of the DI's time: a line with steps.

    Attributes
    ----------
    base_samples : float
        Lag at the DI's frame 0.
    slope : float
        Samples of lag per sample of the DI.
    step_frames : NDArray[np.float64]
        DI frames at which the lag steps, rising.
    step_samples : NDArray[np.float64]
        Size of each step.
    """

    base_samples: float
    slope: float
    step_frames: NDArray[np.float64]
    step_samples: NDArray[np.float64]

    @property
    def moves(self) -> bool:
        """Whether the lag is not one constant."""
        return self.slope != 0.0 or self.step_frames.size > 0

    def at(self, frames: NDArray[np.float64]) -> NDArray[np.float64]:
        """Lag at some DI frames.

        Parameters
        ----------
        frames : NDArray[np.float64]
            DI frames, any shape (n,).

        Returns
        -------
        NDArray[np.float64]
            Lag in samples, shape (n,).
        """
        past = frames[:, np.newaxis] >= self.step_frames[np.newaxis, :]
        lag = self.base_samples + self.slope * frames + past @ self.step_samples
        return np.asarray(lag, dtype=np.float64)


def still(lag_samples: float) -> Motion:
    """Motion of a capture whose lag does not move.

    Parameters
    ----------
    lag_samples : float
        The lag.

    Returns
    -------
    Motion
        Constant lag.
    """
    return Motion(lag_samples, 0.0, np.zeros(0), np.zeros(0))


def _peak(curve: NDArray[np.float64]) -> tuple[float, float]:
    """Place (signed) and height of the highest point of a circular curve."""
    top = int(np.argmax(curve))
    before, here = float(curve[top - 1]), float(curve[top])
    after = float(curve[(top + 1) % curve.size])
    bend = before - 2.0 * here + after
    place = top + (0.5 * (before - after) / bend if bend < 0.0 else 0.0)
    return (place - curve.size if place > curve.size / 2 else place), here


def follow(
    spectra: ClipSpectra, band: Band, weight: NDArray[np.float64] | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Follow the lag from clip to clip.

    Parameters
    ----------
    spectra : ClipSpectra
        Spectra whose clips were all read near their lags, or at one lag.
    band : Band
        The usable band.
    weight : NDArray or None
        Weight of each bin; None = every bin of the band alike.

    Returns
    -------
    tuple[NDArray[np.float64], NDArray[np.float64]]
        Lag of each clip in samples, up to a common constant, and agreement
        with the clips before it, 0 to 1; shape (clips,).
    """
    freq, nfft = spectra.freq_hz, spectra.nfft
    if weight is None:
        weight = band_weight(np.full(freq.size, 0.5), freq, band)
    scale = 0.5 * nfft / (weight.sum() + 1e-30)
    ramp = 2j * np.pi * freq / spectra.sample_rate_hz
    phasors = spectra.cross / (np.abs(spectra.cross) + 1e-30)
    taken = spectra.lag_samples - spectra.lag_samples[0]
    lags = np.zeros(taken.size)
    agreements = np.ones(taken.size)
    far = np.minimum(np.arange(nfft), nfft - np.arange(nfft)) / (0.5 * nfft)
    scale = scale * (1.0 - FAR_PENALTY * far)
    running = np.array(phasors[0], dtype=np.complex128)
    for k in range(1, taken.size):
        guide = lags[k - 1] - taken[k - 1]
        against = running * np.exp(-ramp * guide)
        unit = against / (np.abs(against) + 1e-30)
        curve = np.fft.irfft(weight * phasors[k] * np.conj(unit), nfft) * scale
        delay, agreements[k] = _peak(curve)
        lags[k] = taken[k] + guide + delay
        turned = phasors[k] * np.exp(ramp * (guide + delay))
        running = MEMORY * running + max(agreements[k], 0.0) * turned
    agreements[0] = np.median(agreements)
    return lags, np.clip(agreements, 0.0, 1.0)


def _without_strays(
    lags: NDArray[np.float64], keep: NDArray[np.intp], step: float
) -> NDArray[np.intp]:
    """Drop single clips that differ from two neighbours that agree."""
    good = [
        k
        for at, k in enumerate(keep)
        if not (0 < at < keep.size - 1)
        or abs(lags[k] - lags[keep[at - 1]]) < step
        or abs(lags[k] - lags[keep[at + 1]]) < step
        or abs(lags[keep[at + 1]] - lags[keep[at - 1]]) > step
    ]
    return np.asarray(good, dtype=np.intp)


def _robust_slope(
    frames: NDArray[np.float64], lags: NDArray[np.float64], step: float
) -> float:
    """Median slope between near clips, steps left out."""
    slopes: list[float] = []
    for apart in range(1, min(9, lags.size)):
        rise, run = lags[apart:] - lags[:-apart], frames[apart:] - frames[:-apart]
        calm = np.abs(rise - np.median(rise)) < step
        slopes += (rise[calm] / run[calm]).tolist()
    return float(np.median(slopes)) if slopes else 0.0


def _robust_fit(
    design: NDArray[np.float64],
    lags: NDArray[np.float64],
    weights: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Least squares with Huber's weights: solution and residuals."""
    share = weights
    for _ in range(4):
        root = np.sqrt(share)
        fitted = np.linalg.lstsq(design * root[:, None], lags * root, rcond=None)[0]
        rest = lags - design @ fitted
        scale = 1.5 * float(np.median(np.abs(rest))) + 1e-3
        share = weights * np.minimum(1.0, scale / (np.abs(rest) + 1e-9))
    return np.asarray(fitted, np.float64), rest


def _design(
    frames: NDArray[np.float64], edges: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Columns of a level, a step at each edge and a slope."""
    columns = [np.ones(frames.size)]
    columns += [(np.arange(frames.size) >= edge).astype(float) for edge in edges]
    columns.append(frames / frames[-1])
    return np.stack(columns, axis=1)


def _fit_line_and_steps(
    frames: NDArray[np.float64],
    lags: NDArray[np.float64],
    weights: NDArray[np.float64],
    edges: NDArray[np.intp],
) -> tuple[Motion, NDArray[np.float64]]:
    """Weighted least squares of one slope and a step at each edge."""
    # A clip beside an edge may hold the jump itself.
    # Clips that agree with nothing all count alike: their spread says it.
    weights = weights.copy() if weights.any() else np.ones_like(weights)
    weights[edges] *= BESIDE_EDGE
    weights[edges - 1] *= BESIDE_EDGE
    design = _design(frames, edges)
    fitted, rest = _robust_fit(design, lags, weights)
    if edges.size:
        # A slope and a few steps can stand in for each other; a slope that
        # explains nothing is left out.
        level, level_rest = _robust_fit(design[:, :-1], lags, weights)
        plain = float(np.median(np.abs(level_rest)))
        if plain <= WORTH_A_SLOPE * float(np.median(np.abs(rest))) + 0.02:
            fitted, rest = np.append(level, 0.0), level_rest
    middles = 0.5 * (frames[edges - 1] + frames[edges]) if edges.size else np.zeros(0)
    slope = float(fitted[-1] / frames[-1])
    return Motion(float(fitted[0]), slope, middles, fitted[1:-1]), rest


def model_motion(
    frames: NDArray[np.float64],
    lags: NDArray[np.float64],
    agreements: NDArray[np.float64],
    sample_rate_hz: int,
) -> tuple[Motion, bool]:
    """Fit one slope and as many steps as the clips' lags show.

    Parameters
    ----------
    frames : NDArray[np.float64]
        Middle of each clip in DI frames, rising; shape (clips,).
    lags : NDArray[np.float64]
        Lag of each clip in samples.
    agreements : NDArray[np.float64]
        How well each clip agrees, 0 to 1.
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    tuple[Motion, bool]
        The model, and whether the lag wanders as no such model does. A
        wandering lag's model is its weighted mean.
    """
    step = STEP_S * sample_rate_hz
    keep = np.flatnonzero(agreements >= RELIABLE * np.median(agreements))
    keep = _without_strays(lags, keep, step)
    at, lag, weight = frames[keep], lags[keep], agreements[keep] ** 2 + 1e-12
    if keep.size < 4:
        return still(float(np.median(lags))), False
    slope = _robust_slope(at, lag, step)
    rest = lag - slope * at
    edges = np.flatnonzero(np.abs(np.diff(rest)) > step) + 1
    if edges.size > max(3.0, MANY_STEPS * keep.size):
        return still(float(np.average(lag, weights=weight))), True
    motion, rest = _fit_line_and_steps(at, lag, weight, edges)
    small = np.abs(motion.step_samples) < SMALLEST_JUMP_S * sample_rate_hz
    if small.any():
        motion, rest = _fit_line_and_steps(at, lag, weight, edges[~small])
    wanders = float(np.median(np.abs(rest))) > CALM_S * sample_rate_hz
    return motion, wanders


def refined(
    motion: Motion,
    frames: NDArray[np.float64],
    delays: NDArray[np.float64],
    agreements: NDArray[np.float64],
    *,
    sample_rate_hz: int,
) -> Motion:
    """Refine base, slope and steps by what is left when clips are read at them.

    Parameters
    ----------
    motion : Motion
        A line with steps at which the clips were read.
    frames : NDArray[np.float64]
        Middle of each clip in DI frames, rising; shape (clips,).
    delays : NDArray[np.float64]
        Delay of each clip that is left, in samples.
    agreements : NDArray[np.float64]
        How well each clip agrees, 0 to 1.
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    Motion
        With steps at the same places; the same motion where a step has no clip
        on one of its sides.
    """
    keep = agreements >= RELIABLE * np.median(agreements)
    keep &= np.abs(delays) < STEP_S * sample_rate_hz
    edges = np.searchsorted(frames[keep], motion.step_frames)
    bounds = np.concatenate([[0], edges, [keep.sum()]])
    if (np.diff(bounds) < 1).any() or keep.sum() < 4:
        return motion
    weights = agreements[keep] ** 2
    weights[edges] *= BESIDE_EDGE
    weights[edges - 1] *= BESIDE_EDGE
    design = _design(frames[keep], edges)
    if motion.slope == 0.0:
        design = design[:, :-1]
    left, _ = _robust_fit(design, delays[keep], weights)
    slope = left[-1] / frames[keep][-1] if motion.slope != 0.0 else 0.0
    return Motion(
        motion.base_samples + float(left[0]),
        motion.slope + float(slope),
        motion.step_frames,
        motion.step_samples + left[1 : 1 + edges.size],
    )


def is_calm(
    frames: NDArray[np.float64],
    delays: NDArray[np.float64],
    agreements: NDArray[np.float64],
    sample_rate_hz: int,
) -> bool:
    """Decide whether one constant lag describes all clips.

    Parameters
    ----------
    frames : NDArray[np.float64]
        Middle of each clip in DI frames, rising.
    delays : NDArray[np.float64]
        Delay of each clip against the whole, in samples.
    agreements : NDArray[np.float64]
        How well each clip agrees, 0 to 1.
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    bool
        False if clips stray in a way that drift, jumps or wandering could
        explain; then the costly part is worth its time.
    """
    calm = CALM_S * sample_rate_hz
    weight = agreements**2 + 1e-12
    near = np.abs(delays) < calm
    if float(weight[near].sum() / weight.sum()) < CALM_SHARE:
        return False
    reliable = agreements >= RELIABLE * np.median(agreements)
    off = ~near & reliable & (np.abs(delays) > STEP_S * sample_rate_hz)
    if (off[1:] & off[:-1]).any() or off[[0, -1]].any():
        return False
    if near.sum() < 4:
        return True
    slope = np.polyfit(frames[near], delays[near], 1, w=np.sqrt(weight[near]))[0]
    return bool(abs(slope) * (frames[-1] - frames[0]) < 0.5 * calm)


def some_stray(agreements: NDArray[np.float64]) -> bool:
    """Decide whether neighbouring clips agree with nothing.

    Parameters
    ----------
    agreements : NDArray[np.float64]
        How well each clip agrees, 0 to 1; shape (clips,).

    Returns
    -------
    bool
        True if two in a row do: their delays say nothing, so they may lie anywhere.
    """
    low = agreements < RELIABLE * np.median(agreements)
    return bool((low[1:] & low[:-1]).any())
