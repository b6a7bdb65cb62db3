"""What can be prepared once for a DI and reused for each of its captures.

The fine work needs no whole files: noise is not what limits it. It looks at
short clips of the DI, the liveliest one of each equal part of the file, so that
a long file costs little more than a short one and a change of lag anywhere in
the file still falls between two clips.
"""

from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.latency.grid import Grid, grid_for

MAX_CLIPS = 80
ACTIVE_DB = -45.0
COARSE_RATE_HZ = 6000
COARSE_LOW_HZ = 80.0
COARSE_SPARE_S = 60.0
WHITENING = 0.4
POOL_HZ = 40.0
DECIMATOR_SPAN = 6
MIN_RATE_HZ = 8000


@dataclass(frozen=True, slots=True)
class DiReference:
    """A DI, prepared for many captures. Made by `prepare_di`; picklable.

    Attributes
    ----------
    di : NDArray[np.float32]
        The DI itself, shape (frames,).
    sample_rate_hz : int
        Its sampling rate in Hz.
    rms : float
        Rms of its active frames.
    grid : Grid
        Framing of the fine analysis.
    starts : NDArray[np.int64]
        First frame of each clip, rising.
    decimation : int
        Whole factor between the DI's rate and the coarse search's.
    low : NDArray[np.float32]
        The decimated DI.
    short_nfft : int
        Transform length of the coarse search in which opposite ends of the range of
        lags fall on each other.
    coarse_nfft : int
        Transform length in which every lag has a place of its own.
    """

    di: NDArray[np.float32]
    sample_rate_hz: int
    rms: float
    grid: Grid
    starts: NDArray[np.int64]
    decimation: int
    low: NDArray[np.float32]
    short_nfft: int
    coarse_nfft: int
    memo: dict[object, NDArray[np.complex64]] = field(
        default_factory=dict, repr=False, compare=False
    )
    own: dict[int, NDArray[np.float32]] = field(
        default_factory=dict, repr=False, compare=False
    )

    def self_similarity(self, most: int) -> NDArray[np.float32]:
        """Size of the flattened autocorrelation, worked out when first needed.

        Parameters
        ----------
        most : int
            Largest lag of interest, in decimated samples.

        Returns
        -------
        NDArray[np.float32]
            Up to that lag and farther, a lag of one decimated sample each.
        """
        # Up to the spare of the short transform no lag meets one from its other end.
        spare = self.short_nfft - self.coarse_frames
        nfft, reach = self.coarse_nfft, self.coarse_nfft // 2
        if most < spare:
            nfft, reach = self.short_nfft, spare
        if nfft not in self.own:
            spectrum = self.flattened(nfft)
            power = spectrum.real**2 + spectrum.imag**2
            self.own[nfft] = np.abs(scipy.fft.irfft(power, nfft)[:reach])
        return self.own[nfft]

    def flattened(self, nfft: int) -> NDArray[np.complex64]:
        """Conjugate flattened spectrum of the decimated DI, made when first needed.

        Parameters
        ----------
        nfft : int
            `short_nfft` or `coarse_nfft`.

        Returns
        -------
        NDArray[np.complex64]
            Shape (nfft // 2 + 1,).
        """
        kept = self.memo.get(nfft)
        if kept is None:
            rate = self.sample_rate_hz / self.decimation
            kept = whiten(scipy.fft.rfft(self.low, nfft), rate, nfft)
            self.memo[nfft] = np.conjugate(kept, out=kept)
        return kept

    @property
    def coarse_frames(self) -> int:
        """Length of the decimated DI."""
        return int(self.low.size)

    @property
    def frames(self) -> int:
        """Length of the DI in frames."""
        return int(self.di.size)

    def stretch(self, start: int, frames: int) -> NDArray[np.float32]:
        """Read a piece of the DI, zero outside it.

        Parameters
        ----------
        start : int
            First frame; may be negative.
        frames : int
            Number of frames.

        Returns
        -------
        NDArray[np.float32]
            `frames` samples.
        """
        piece = np.zeros(frames, dtype=np.float32)
        first, last = max(start, 0), min(start + frames, self.frames)
        if last > first:
            piece[first - start : last - start] = self.di[first:last]
        return piece


@lru_cache(maxsize=8)
def _decimator(factor: int) -> NDArray[np.float32]:
    """Low-pass taps, a row for each part of the factor."""
    # A sinc under a Hamming window, with a gain of one (as scipy.signal.firwin, whose
    # import takes half a second).
    size = DECIMATOR_SPAN * factor
    at = np.arange(size) - 0.5 * (size - 1)
    taps = np.sinc(0.9 / factor * at) * np.hamming(size)
    taps /= taps.sum()
    return np.asarray(taps.reshape(DECIMATOR_SPAN, factor), dtype=np.float32)


def decimate(samples: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Lower the rate by a whole factor, with a short linear-phase low-pass.

    Parameters
    ----------
    samples : NDArray[np.float32]
        Shape (n,).
    factor : int
        1 or more.

    Returns
    -------
    NDArray[np.float32]
        Shape (n // factor - 5,); the common delay is not removed, since both
        sides of a correlation carry it.
    """
    if factor == 1:
        return samples
    rows = samples[: samples.size // factor * factor].reshape(-1, factor)
    parts = _decimator(factor) @ rows.T
    count = max(rows.shape[0] - DECIMATOR_SPAN + 1, 0)
    low = np.zeros(count, dtype=np.float32)
    for k in range(DECIMATOR_SPAN):
        low += parts[k, k : k + count]
    return low


def whiten(
    spectrum: NDArray[np.complex64], rate_hz: float, nfft: int
) -> NDArray[np.complex64]:
    """Flatten a long spectrum most of the way, over 80 Hz to nine tenths.

    Parameters
    ----------
    spectrum : NDArray[np.complex64]
        Half spectrum of a real signal; changed in place.
    rate_hz : float
        Sampling rate of the signal in Hz.
    nfft : int
        Transform length.

    Returns
    -------
    NDArray[np.complex64]
        Divided by the 0.4th power of its own 40 Hz means.
    """
    width = max(int(POOL_HZ * nfft / rate_hz), 1)
    bands = spectrum.size // width
    pooled = np.empty(bands)
    body = spectrum[: bands * width].view(np.float32).reshape(bands, 2 * width)
    np.einsum("ij,ij->i", body, body, out=pooled, dtype=np.float64)
    floor = 1e-12 * float(pooled.max(initial=0.0)) + 1e-30
    middle_hz = (np.arange(bands) + 0.5) * width * rate_hz / nfft
    inside = (middle_hz >= COARSE_LOW_HZ) & (middle_hz <= 0.45 * rate_hz)
    gain = np.where(inside, (pooled / width + floor) ** -WHITENING, 0.0)
    body *= gain.astype(np.float32)[:, np.newaxis]
    spectrum[bands * width :] = 0.0
    return spectrum


def _clip_starts(di: NDArray[np.float32], grid: Grid) -> NDArray[np.int64]:
    """First frames of the liveliest clip of each equal part of the DI."""
    step = grid.hop
    count = di.size // step
    sound = di[: count * step].reshape(count, step)
    power = np.einsum("ij,ij->i", sound, sound).astype(np.float64)
    steep = np.diff(di[: count * step], prepend=di[:1]).reshape(count, step)
    attack = np.einsum("ij,ij->i", steep, steep).astype(np.float64)
    span = grid.clip // step
    if count <= span:
        return np.zeros(1, dtype=np.int64)
    # Compress the loudness: a clip with many notes beats one with a loud one.
    lively = np.convolve((attack + 1e-20) ** 0.25, np.ones(span), mode="valid")
    parts = int(min(MAX_CLIPS, count // span))
    edges = np.linspace(0, count - span + 1, parts + 1).astype(int)
    peak = float(power.max())
    starts = []
    for first, last in pairwise(edges.tolist()):
        inner = max(last - max(span - (last - first), 0), first + 1)
        best = first + int(np.argmax(lively[first:inner]))
        # Of the sound itself: hiss is steep, and a rest with it no playing.
        if power[best : best + span].max() > peak * 10.0 ** (ACTIVE_DB / 10.0):
            starts.append(best * step)
    return np.unique(np.asarray(starts, dtype=np.int64))


def _active_rms(di: NDArray[np.float32], grid: Grid) -> float:
    """Rms of the frames that are not silent."""
    step = min(grid.hop, di.size)
    frames = di[: di.size // step * step].reshape(-1, step)
    power = np.einsum("ij,ij->i", frames, frames).astype(np.float64) / frames.shape[1]
    loud = power > power.max() * 10.0 ** (ACTIVE_DB / 10.0)
    return float(np.sqrt(power[loud].mean()))


def prepare_di(di: NDArray[np.floating], sample_rate_hz: int) -> DiReference:
    """Prepare a DI so that many captures can be timed against it.

    Parameters
    ----------
    di : NDArray
        The DI, 1-D, full scale 1.0, at least 0.7 s long.
    sample_rate_hz : int
        Sampling rate in Hz, 8000 to 192000.

    Returns
    -------
    DiReference
        To be handed to `estimate_latency` and `speed_ratio`.

    Raises
    ------
    ValueError
        If the DI is not 1-D, too short, silent, not finite, or its rate is
        out of range.
    """
    if sample_rate_hz < MIN_RATE_HZ:
        msg = f"the DI's rate is {sample_rate_hz} Hz; 8000 Hz or more is needed"
        raise ValueError(msg)
    grid = grid_for(sample_rate_hz)
    if di.ndim != 1 or di.size < grid.clip:
        msg = f"the DI must be one channel of at least {grid.clip} frames"
        raise ValueError(msg)
    samples = np.ascontiguousarray(di, dtype=np.float32)
    peak = max(float(samples.max()), -float(samples.min()))
    if not np.isfinite(peak) or peak == 0.0:
        msg = "the DI is silent or holds values that are not finite"
        raise ValueError(msg)
    factor = max(round(sample_rate_hz / COARSE_RATE_HZ), 1)
    low = decimate(samples, factor)
    rate = sample_rate_hz / factor
    spare = COARSE_SPARE_S * rate
    short, whole = (
        scipy.fft.next_fast_len(int(times * low.size + spare), real=True)
        for times in (1, 2)
    )
    return DiReference(
        di=samples,
        sample_rate_hz=sample_rate_hz,
        rms=_active_rms(samples, grid),
        grid=grid,
        starts=_clip_starts(samples, grid),
        decimation=factor,
        low=low,
        short_nfft=short,
        coarse_nfft=whole,
    )
