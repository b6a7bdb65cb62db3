"""Averaged spectra of two microphones over the loud parts of a pass.

A few hundred frames spread over the file are enough: the relation does not change
within a pass, 240 frames leave a random error of the phase near 0.05 rad a bin even
at a coherence of 0.5, and what limits a delay is the shape of the responses, not
the noise (see `fit`). Frames are 85 ms long, so that early reflections fall inside.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]
Samples = NDArray[np.floating]

FRAME_S = 0.0853
BLOCKS_A_FRAME = 4
COARSE_FRAMES = 40
FINE_FRAMES = 240
QUIET_FRAMES = 48
QUIET_SHARE = 1.0 / 60.0
ACTIVE_BELOW_PEAK_DB = 40.0
COARSE_BAND_HZ = (80.0, 10_000.0)
COARSE_WHITENING = 0.45
FULL_RESOLUTION_BELOW_HZ = 700.0
POINTS_AN_OCTAVE = 48
LOWEST_POWER = 1e-30


@dataclass(frozen=True, slots=True)
class PairSpectra:
    """Powers and cross power of a pair, a few hundred points.

    Attributes
    ----------
    freq_hz : ndarray, shape (points,)
        Bin by bin below 700 Hz, then 48 points an octave.
    power_a, power_b : ndarray, shape (points,)
        Power of each microphone within a point, noise included.
    cross : ndarray of complex, shape (points,)
        Mean of conj(A) B within a point; its phase falls with frequency when b is
        later. ``cross / power_a`` is the averaged transfer from a to b.
    """

    freq_hz: Float
    power_a: Float
    power_b: Float
    cross: Complex


@dataclass(frozen=True, slots=True)
class Averages:
    """Averaged spectra with b moved earlier by `lag` whole samples.

    Attributes
    ----------
    lag : int
        Samples by which b was moved earlier.
    frames : int
        Frames averaged.
    freq_hz, power_a, power_b, noise_a, noise_b : ndarray, shape (bins,)
        Powers while the amplifier plays, and the parts of them that are noise.
    cross : ndarray of complex, shape (bins,)
        Mean of conj(A) B.
    """

    lag: int
    frames: int
    freq_hz: Float
    power_a: Float
    power_b: Float
    noise_a: Float
    noise_b: Float
    cross: Complex


def frame_length(sample_rate_hz: int) -> int:
    """Length of an analysis frame, a power of two.

    Parameters
    ----------
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    int
        4096 at 44.1 and 48 kHz.
    """
    return int(2 ** round(np.log2(FRAME_S * sample_rate_hz)))


def block_levels(x: Samples, block: int) -> Float:
    """Mean square of consecutive blocks.

    Parameters
    ----------
    x : ndarray, shape (samples,)
        One microphone.
    block : int
        Samples a block.

    Returns
    -------
    ndarray, shape (samples // block,)
        Mean squares, divided by their mean; zeros for silence.
    """
    count = x.size // block
    grid = x[: count * block].reshape(count, block)
    power = np.einsum("ij,ij->i", grid, grid).astype(np.float64) / block
    mean = power.mean() if count else 0.0
    return np.asarray(power / mean if mean > LOWEST_POWER else np.zeros(count))


def _spread(candidates: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    if candidates.size <= count:
        return candidates
    return candidates[np.linspace(0, candidates.size - 1, count).astype(np.int64)]


def _spectra(x: Samples, starts: NDArray[np.int64], size: int) -> NDArray[np.complex64]:
    frames = np.stack([x[start : start + size] for start in starts.tolist()])
    hann = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(size) / size)
    window = hann.astype(np.float32)
    spectra = scipy.fft.rfft(frames.astype(np.float32, copy=False) * window)
    return np.asarray(spectra, dtype=np.complex64)


def _power(spectra: NDArray[np.complex64]) -> Float:
    power = spectra.real**2 + spectra.imag**2
    return np.asarray(power.mean(axis=0), dtype=np.float64)


def _cross(a: NDArray[np.complex64], b: NDArray[np.complex64]) -> Complex:
    return np.asarray((a.conj() * b).mean(axis=0), dtype=np.complex128)


def _active_starts(levels: Float, frame: int, last: int) -> NDArray[np.int64]:
    limit = np.percentile(levels, 95) * 10 ** (-ACTIVE_BELOW_PEAK_DB / 10)
    block = frame // BLOCKS_A_FRAME
    # A frame is centred on its loud block.
    starts = np.flatnonzero(levels > limit) * block - (frame - block) // 2
    return np.asarray(starts[(starts >= 0) & (starts <= last)], dtype=np.int64)


def coarse_lag(
    a: Samples,
    b: Samples,
    levels: Float,
    sample_rate_hz: int,
    *,
    reach: tuple[int, int],
) -> int | None:
    """Whole-sample lag of b by the largest whitened correlation.

    Parameters
    ----------
    a, b : ndarray, shape (samples,)
        Two microphones.
    levels : ndarray
        `block_levels` of the quieter of both, in blocks of a quarter frame.
    sample_rate_hz : int
        Sampling rate in Hz.
    reach : tuple of int
        Smallest and largest lag to look at.

    Returns
    -------
    int or None
        Good to a few samples, since colours move the peak; its sign of
        correlation is not used. None without enough sound.
    """
    frame = frame_length(sample_rate_hz)
    size = BLOCKS_A_FRAME * frame
    starts = _active_starts(levels, frame, min(a.size, b.size) - size)
    if not starts.size:
        return None
    starts = _spread(starts, COARSE_FRAMES)
    spectra_a, spectra_b = _spectra(a, starts, size), _spectra(b, starts, size)
    mean = np.full(14, 1.0 / 14.0)
    power_a = np.convolve(_power(spectra_a), mean, "same")
    power_b = np.convolve(_power(spectra_b), mean, "same")
    white = _cross(spectra_a, spectra_b)
    white /= (power_a * power_b + LOWEST_POWER) ** COARSE_WHITENING
    freq_hz = scipy.fft.rfftfreq(size, 1.0 / sample_rate_hz)
    white[(freq_hz < COARSE_BAND_HZ[0]) | (freq_hz > COARSE_BAND_HZ[1])] = 0.0
    correlation = scipy.fft.irfft(white, size)
    lags = np.arange(reach[0], reach[1] + 1)
    return int(lags[np.argmax(np.abs(correlation[lags]))])


def _quiet_starts(
    levels: Float, quiet: NDArray[np.bool_] | None, frame: int
) -> NDArray[np.int64]:
    block = frame // BLOCKS_A_FRAME
    span = np.lib.stride_tricks.sliding_window_view
    if quiet is not None:
        still = quiet[: levels.size * block].reshape(-1, block).all(axis=1)
        starts = np.flatnonzero(span(still, BLOCKS_A_FRAME).all(axis=1))
        return np.asarray(starts * block, dtype=np.int64)
    # One block more than a frame: the last note still rings in the first.
    loudest = span(levels, BLOCKS_A_FRAME + 1).max(axis=1)
    count = max(8, int(loudest.size * QUIET_SHARE))
    starts = np.sort(np.argsort(loudest, kind="stable")[:count])
    return np.asarray(starts * block, dtype=np.int64)


def _noise(
    a: Samples, b: Samples, starts: NDArray[np.int64], *, lag: int, frame: int
) -> tuple[Float, Float]:
    # What both microphones share in the quiet frames is no noise of theirs.
    if not starts.size:
        nothing = np.zeros(frame // 2 + 1)
        return nothing, nothing
    spectra_a = _spectra(a, starts, frame)
    spectra_b = _spectra(b, starts + lag, frame)
    power_a, power_b = _power(spectra_a), _power(spectra_b)
    shared = np.abs(_cross(spectra_a, spectra_b)) ** 2
    alone = 1.0 - shared / (power_a * power_b + LOWEST_POWER)
    mean = np.full(9, 1.0 / 9.0)
    return (
        np.convolve(power_a * alone, mean, "same"),
        np.convolve(power_b * alone, mean, "same"),
    )


def average(
    a: Samples,
    b: Samples,
    levels: Float,
    sample_rate_hz: int,
    *,
    lag: int,
    quiet: NDArray[np.bool_] | None = None,
) -> Averages | None:
    """Average the spectra of a and of b moved earlier by a whole lag.

    Parameters
    ----------
    a, b : ndarray, shape (samples,)
        Two microphones.
    levels : ndarray
        `block_levels` of the quieter of both, in blocks of a quarter frame.
    sample_rate_hz : int
        Sampling rate in Hz.
    lag : int
        Samples by which b is moved earlier.
    quiet : ndarray of bool, shape (samples,), optional
        Where nothing is played. Without it the quietest 1/60 of the file serves.

    Returns
    -------
    Averages or None
        None without enough sound.
    """
    frame = frame_length(sample_rate_hz)
    last = min(a.size, b.size - lag) - frame
    first = max(0, -lag)
    starts = _active_starts(levels, frame, last)
    starts = _spread(starts[starts >= first], FINE_FRAMES)
    if not starts.size:
        return None
    spectra_a, spectra_b = _spectra(a, starts, frame), _spectra(b, starts + lag, frame)
    still = _quiet_starts(levels, quiet, frame)
    still = _spread(still[(still >= first) & (still <= last)], QUIET_FRAMES)
    noise_a, noise_b = _noise(a, b, still, lag=lag, frame=frame)
    return Averages(
        lag=lag,
        frames=starts.size,
        freq_hz=scipy.fft.rfftfreq(frame, 1.0 / sample_rate_hz),
        power_a=_power(spectra_a),
        power_b=_power(spectra_b),
        noise_a=noise_a,
        noise_b=noise_b,
        cross=_cross(spectra_a, spectra_b),
    )


def swapped(averages: Averages) -> Averages:
    """Exchange the microphones.

    Parameters
    ----------
    averages : Averages
        Of b against a.

    Returns
    -------
    Averages
        Of a against b.
    """
    return Averages(
        lag=-averages.lag,
        frames=averages.frames,
        freq_hz=averages.freq_hz,
        power_a=averages.power_b,
        power_b=averages.power_a,
        noise_a=averages.noise_b,
        noise_b=averages.noise_a,
        cross=averages.cross.conj(),
    )


def points(averages: Averages, sample_rate_hz: int) -> PairSpectra:
    """Condense to a few hundred points and give b its lag back.

    Parameters
    ----------
    averages : Averages
        Of one pair.
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    PairSpectra
        From the first bin above 0 Hz to half the rate.
    """
    freq_hz = averages.freq_hz
    bins = freq_hz.size
    fine = int(np.searchsorted(freq_hz, FULL_RESOLUTION_BELOW_HZ))
    octaves = np.log2((bins - 1) / fine)
    steps = np.arange(int(octaves * POINTS_AN_OCTAVE) + 1) / POINTS_AN_OCTAVE
    coarse = np.unique(np.round(fine * 2.0**steps).astype(np.int64))
    edges = np.concatenate([np.arange(1, fine), coarse])
    counts = np.diff(np.append(edges, bins))
    centre = np.add.reduceat(freq_hz, edges) / counts
    turn = np.exp(-2j * np.pi * centre / sample_rate_hz * averages.lag)
    return PairSpectra(
        freq_hz=centre,
        power_a=np.add.reduceat(averages.power_a, edges),
        power_b=np.add.reduceat(averages.power_b, edges),
        cross=np.add.reduceat(averages.cross, edges) * turn,
    )
