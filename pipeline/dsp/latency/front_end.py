"""The distorting stage ahead of everything linear, as far as timing needs it.

Behind a hard driven amp the capture is no longer coherent with the DI above a
few kilohertz, and timing needs the treble. A filter, a bias and a saturation
ahead of the linear part bring most of it back: what the DI passes through here
is coherent with the capture again. The front end belongs to the set-up, not to
the capture, so it is fitted once and checked on the others.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.latency.grid import Grid
from pipeline.dsp.latency.reference import DiReference
from pipeline.dsp.latency.results import CaptureSource, FrontEnd
from pipeline.dsp.latency.spectra import linear_frames

TARGET_RMS = 0.25
BELL_HZ = 720.0
BELL_Q = 0.7
OVERSAMPLING = 2
FIT_CLIPS = 6
FIT_RATE_HZ = 50000.0
FIT_LOW_HZ = 60.0
FIT_HIGH_HZ = 12000.0
DRIVES_DB = (-6.0, 6.0, 16.0, 26.0, 36.0, 48.0)
# Drive, octaves of high-pass, bell: a pedal that cuts the bass and lifts the
# middle is too far from a plain stage for the search to climb there.
PEDALS = ((14.0, 9.3, 6.0), (32.0, 9.3, 6.0))
BIASES = (0.0, -0.5, 0.5)
HALF_WAVES = (0.0, -0.35, 0.35, 1.8)
# Steps of drive, bias, octaves of high-pass, bell, octaves of low-pass, inverse
# hyperbolic sine of the rectified share; halved in each round.
STEPS = (8.0, 0.4, 2.0, 5.0, 1.0, 0.3)
LOWEST = (-20.0, -1.3, 3.0, -6.0, 10.3, -2.8)
HIGHEST = (66.0, 1.3, 11.3, 14.0, 15.3, 2.8)
ROUNDS = 3
# Coordinates lean on each other behind two saturations; where much is left, a
# simplex (Nelder and Mead 1965) goes on from where the coordinates stopped.
WELL_REACHED = 2.6
SIMPLEX = (4.0, 0.3, 0.8, 2.0, -0.8, 0.2)
TRIALS = 130
# The low-pass shows only where the saturation works hard, and weakly. Valve
# stages have a pole at 10 to 14 kHz ahead of them, a software stage none: without
# a reason to leave it, 25 kHz is a quarter of a sample from either.
LOW_PASS = 14.6
LOW_PASS_FROM_DB = 8.0
LOW_PASS_PRIOR = 0.003
KEPT_FRONT_ENDS = 2

Point = tuple[float, float, float, float, float, float]
PLACE_OF_LOW_PASS = 4


@dataclass(frozen=True, slots=True)
class _Fit:
    """What one fit works on: filtered DI clips and the capture's frames.

    Attributes
    ----------
    clips : NDArray[np.complex64]
        Spectra of the DI's clips with pre-roll, shape (clips, bins).
    length : int
        Length of those clips in samples at the fit's rate.
    grid : Grid
        Framing at the fit's rate.
    theirs : NDArray[np.complex64]
        Capture frames inside the fit's band, shape (clips, frames, bins).
    band : slice
        Bins of the fit's band.
    """

    clips: NDArray[np.complex64]
    length: int
    grid: Grid
    theirs: NDArray[np.complex64]
    band: slice


def _equaliser(freq_hz: NDArray[np.float64], point: Point) -> NDArray[np.complex64]:
    """Response of the high-pass and the bell ahead of the saturation."""
    s = 1j * np.maximum(freq_hz, 1e-3)
    size = 10.0 ** (point[3] / 40.0)
    width = BELL_HZ / BELL_Q
    bell = s * s + s * width * size + BELL_HZ**2
    bell /= s * s + s * width / size + BELL_HZ**2
    low = 2.0 ** point[4]
    response = bell * s / (s + 2.0 ** point[2]) * low / (s + low)
    return np.asarray(response, dtype=np.complex64)


def _saturated(
    clips: NDArray[np.complex64],
    freq_hz: NDArray[np.float64],
    point: Point,
    length: int,
) -> NDArray[np.float32]:
    """Clips behind the front end, `length` samples each (sets the rate)."""
    gain = 10.0 ** (point[0] / 20.0) * length / (2 * (freq_hz.size - 1))
    wave = scipy.fft.irfft(
        clips * (_equaliser(freq_hz, point) * np.float32(gain)), length, axis=-1
    )
    wave += np.float32(point[1])
    shaped: NDArray[np.float32] = np.tanh(wave, out=wave)
    shaped -= np.float32(np.tanh(point[1]))
    if point[5]:
        shaped += np.float32(np.sinh(point[5])) * np.abs(shaped)
    return shaped


def _clip_spectrum(reference: DiReference, start: int) -> NDArray[np.complex64]:
    """Spectrum of a DI clip with a frame of pre-roll, at the fixed level."""
    grid = reference.grid
    clip = reference.stretch(start - grid.nfft, grid.clip + grid.nfft)
    spectrum: NDArray[np.complex64] = scipy.fft.rfft(
        clip * np.float32(TARGET_RMS / reference.rms)
    )
    return spectrum


def _point(front_end: FrontEnd) -> Point:
    """Place of a front end in the search's coordinates."""
    high = float(np.log2(front_end.high_pass_hz))
    low = float(np.log2(front_end.low_pass_hz))
    return (
        front_end.drive_db,
        front_end.bias,
        high,
        front_end.mid_db,
        low,
        float(np.arcsinh(front_end.rectified)),
    )


def driven_frames(reference: DiReference, front_end: FrontEnd) -> NDArray[np.complex64]:
    """Frames of the DI's clips behind a front end.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    front_end : FrontEnd
        The front end.

    Returns
    -------
    NDArray[np.complex64]
        Shape (clips, frames, bins); the last two front ends are kept in the
        reference. Frames in which the DI is silent are zero.
    """
    # How well it served says nothing about the frames.
    front_end = replace(front_end, explained_share=0.0)
    kept = reference.memo.get(front_end)
    if kept is not None:
        return kept
    grid, point = reference.grid, _point(front_end)
    fine = Grid(grid.sample_rate_hz * OVERSAMPLING, grid.nfft * OVERSAMPLING)
    live = linear_frames(reference)[:, :, 3].real != 0.0
    size = (grid.clip + grid.nfft) // 2 + 1
    freq = np.linspace(0.0, grid.sample_rate_hz / 2.0, size)
    kept = np.zeros((*live.shape, grid.freq_hz.size), np.complex64)
    for k, start in enumerate(reference.starts.tolist()):
        clip = _clip_spectrum(reference, start)
        wave = _saturated(clip, freq, point, 2 * (size - 1) * OVERSAMPLING)
        frames = fine.frames_of(wave[fine.nfft :])[:, : grid.freq_hz.size]
        kept[k, live[k]] = frames[live[k]]
    driven = [key for key in reference.memo if isinstance(key, FrontEnd)]
    for old in driven[: len(driven) + 1 - KEPT_FRONT_ENDS]:
        del reference.memo[old]
    reference.memo[front_end] = kept
    return kept


def driven_stretch(
    reference: DiReference, front_end: FrontEnd | None, start: int, frames: int
) -> NDArray[np.float32]:
    """Any stretch of the DI behind a front end, at the DI's rate.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    front_end : FrontEnd or None
        The front end; None returns the DI as it is.
    start : int
        First DI frame.
    frames : int
        Number of frames.

    Returns
    -------
    NDArray[np.float32]
        `frames` samples.
    """
    if front_end is None:
        return reference.stretch(start, frames)
    before = reference.grid.nfft
    length = scipy.fft.next_fast_len(frames + before, real=True)
    length += length % 2
    clip = reference.stretch(start - before, length)
    spectrum = scipy.fft.rfft(clip * np.float32(TARGET_RMS / reference.rms))
    freq = np.linspace(0.0, reference.sample_rate_hz / 2.0, spectrum.size)
    wave = _saturated(spectrum, freq, _point(front_end), length * OVERSAMPLING)
    low = scipy.fft.rfft(wave)[: spectrum.size] / np.float32(OVERSAMPLING)
    driven: NDArray[np.float32] = scipy.fft.irfft(low, length)
    return driven[before : before + frames]


def _prepare_fit(
    reference: DiReference, capture: CaptureSource, lag_samples: NDArray[np.int64]
) -> _Fit:
    """Cut the clips for a fit, at no more than 50 kHz."""
    grid = reference.grid
    begins = reference.starts + lag_samples
    held = (begins >= 0) & (begins + grid.clip <= capture.frames)
    starts, begins = reference.starts[held], begins[held]
    few = np.unique(np.linspace(0, starts.size - 1, FIT_CLIPS).round().astype(int))
    lower = 2 ** max(int(np.ceil(np.log2(grid.sample_rate_hz / FIT_RATE_HZ))), 0)
    small = Grid(grid.sample_rate_hz // lower, grid.nfft // lower // 2)
    length = (grid.clip + grid.nfft) // lower
    clips = np.stack([_clip_spectrum(reference, s) for s in starts[few].tolist()])
    theirs = []
    for begin in begins[few].tolist():
        piece = capture.read(begin, grid.clip)
        low = scipy.fft.irfft(scipy.fft.rfft(piece)[: grid.clip // lower // 2 + 1])
        theirs.append(small.frames_of(low))
    inside = (small.freq_hz >= FIT_LOW_HZ) & (small.freq_hz <= FIT_HIGH_HZ)
    places = np.flatnonzero(inside)
    band = slice(int(places[0]), int(places[-1]) + 1)
    return _Fit(
        # A shorter transform back makes them louder.
        clips[:, : length // 2 + 1] / np.float32(lower),
        length,
        small,
        np.stack(theirs)[:, :, band],
        band,
    )


def _reach(fit: _Fit) -> Callable[[Point], float]:
    """Build the measure that the fit raises: -mean ln(1 - coherence)."""
    freq = np.linspace(0.0, fit.grid.sample_rate_hz / 2.0, fit.length // 2 + 1)
    theirs = fit.theirs.reshape(-1, fit.theirs.shape[2])
    power = np.einsum("fb,fb->b", theirs, theirs.conj()).real
    skip = 2 * fit.grid.nfft

    def reach(point: Point) -> float:
        waves = _saturated(fit.clips, freq, point, fit.length)[:, skip:]
        mine = np.concatenate([fit.grid.frames_of(wave)[:, fit.band] for wave in waves])
        cross = np.einsum("fb,fb->b", mine.conj(), theirs)
        own = np.einsum("fb,fb->b", mine, mine.conj()).real
        share = np.abs(cross) ** 2 / (own * power + 1e-30)
        return -float(np.log1p(-np.minimum(share, 0.9999)).mean())

    return reach


def _climb(reach: Callable[[Point], float]) -> Point:
    """Coordinate search with halving steps from the best of a few starts."""
    tried: dict[Point, float] = {}

    def score(point: Point) -> float:
        if point not in tried:
            away = 1.0 - LOW_PASS_PRIOR * (point[4] - LOW_PASS) ** 2
            tried[point] = reach(point) * away
        return tried[point]

    starts = [(g, 0.0, 6.0, 0.0, LOW_PASS, 0.0) for g in DRIVES_DB]
    starts += [(g, 0.0, high, mid, LOW_PASS, 0.0) for g, high, mid in PEDALS]
    best = max(starts, key=score)
    best = max(((best[0], b, *best[2:]) for b in BIASES), key=score)
    best = max(((*best[:5], r) for r in HALF_WAVES), key=score)
    steps = np.array(STEPS)
    for _ in range(ROUNDS):
        for axis in _axes(best):
            for way in (1.0, -1.0):
                moved = np.array(best)
                moved[axis] += way * steps[axis]
                trial = _inside(moved)
                if score(trial) > score(best):
                    best = trial
                    break
        steps /= 2.0
    return best if tried[best] >= WELL_REACHED else _polished(score, best)


def _axes(point: Point) -> list[int]:
    """Coordinates that leave a trace at a point."""
    there = point[0] >= LOW_PASS_FROM_DB
    return [k for k in range(len(point)) if there or k != PLACE_OF_LOW_PASS]


def _polished(score: Callable[[Point], float], best: Point) -> Point:
    """Follow ridges that lie across the coordinates."""
    axes = _axes(best)
    bounds = np.array([LOWEST, HIGHEST])[:, axes]

    def point(place: NDArray[np.float64]) -> Point:
        whole = np.array(best)
        whole[axes] = place
        return _inside(whole)

    def cost(place: NDArray[np.float64]) -> float:
        return -score(point(place))

    start = np.array(best)[axes]
    corners = start + np.vstack([np.zeros(start.size), np.diag(SIMPLEX)[axes][:, axes]])
    found = scipy.optimize.minimize(
        cost,
        start,
        method="Nelder-Mead",
        bounds=bounds.T.tolist(),
        options={
            "maxfev": TRIALS,
            "initial_simplex": np.clip(corners, *bounds),
            "xatol": 0.05,
            "fatol": 1e-3,
        },
    )
    return point(np.asarray(found.x))


def _inside(place: NDArray[np.float64]) -> Point:
    """Point of the search at a place, kept inside its bounds."""
    drive, bias, high, mid, low, share = np.clip(place, LOWEST, HIGHEST).tolist()
    return drive, bias, high, mid, low, share


def fit_front_end(
    reference: DiReference,
    capture: CaptureSource,
    lag_samples: NDArray[np.float64],
) -> FrontEnd:
    """Fit the front end of a set-up on one of its captures.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    capture : CaptureSource
        The capture; must hold at least one clip of the DI in full.
    lag_samples : NDArray[np.float64]
        Lag of each of the DI's clips, shape (clips,).

    Returns
    -------
    FrontEnd
        Its explained share is left at 0; the caller measures it.
    """
    whole = np.rint(lag_samples).astype(np.int64)
    fit = _prepare_fit(reference, capture, whole)
    point = _climb(_reach(fit))
    return FrontEnd(
        point[0],
        point[1],
        float(2.0 ** point[2]),
        point[3],
        0.0,
        float(2.0 ** point[4]),
        float(np.sinh(point[5])),
    )
