"""How much of a capture a linear filter of its DI explains.

One pass of FFTs over the aligned pair gives every spectrum that the metrics
need: of the DI, of the capture, across both, and of the capture's noise while
the DI is silent. Speaker, microphone and room are linear and explained; what
is left is distortion, noise and whatever moves (modulation, drift).

The windows are those of `spectrum` (0.34 s): in a much shorter one the response
of a room does not fit, and a clean capture of it looks distorted.
"""

from dataclasses import dataclass, field

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.activity import Activity
from pipeline.dsp.spectrum import (
    PLAYING_SHARE,
    PowerSpectrum,
    Samples,
    Spectra,
    as_power_spectrum,
    average_spectrum,
    band_power,
    bin_frequencies,
    summed_power,
    third_octave_bands,
    window_starts,
    windowed_spectra,
)

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

BAND_HZ = (60.0, 12_000.0)
LEAST_AVERAGES = 8

# Neighbouring windows overlap and share their noise: runs of windows go to the
# same half, so that only the ends of runs touch.
_RUN = 4
_ROWS = 16
_KEPT_POWERS = 16
_FLOOR = 1e-30


@dataclass(frozen=True, slots=True)
class CrossSpectra:
    """Spectra of a DI and a capture over the frames in which the DI plays.

    Each sum is kept in two halves (alternating runs of windows), so that what
    one half has learned can be tested on the other.

    Attributes
    ----------
    freq_hz : ndarray, shape (bins,)
        Frequencies in Hz.
    halves_dd, halves_xx : ndarray of float64, shape (2, bins)
        Summed power of the DI and of the capture.
    halves_dx : ndarray of complex128, shape (2, bins)
        Sum of conj(DI) times capture.
    counts : tuple of int
        Windows in each half.
    noise : PowerSpectrum or None
        The capture while the DI is silent; None if it never is for 0.34 s.
    """

    freq_hz: Float
    halves_dd: Float
    halves_xx: Float
    halves_dx: Complex
    counts: tuple[int, int]
    noise: PowerSpectrum | None

    @property
    def averages(self) -> int:
        """Number of windows summed."""
        return sum(self.counts)

    @property
    def s_dd(self) -> Float:
        """Summed power of the DI, shape (bins,)."""
        return np.asarray(self.halves_dd.sum(axis=0), dtype=np.float64)

    @property
    def s_xx(self) -> Float:
        """Summed power of the capture, shape (bins,)."""
        return np.asarray(self.halves_xx.sum(axis=0), dtype=np.float64)

    @property
    def s_dx(self) -> Complex:
        """Summed cross spectrum, shape (bins,)."""
        return np.asarray(self.halves_dx.sum(axis=0), dtype=np.complex128)

    @property
    def capture(self) -> PowerSpectrum:
        """Average spectrum of the capture."""
        return as_power_spectrum(self.freq_hz, self.s_xx, self.averages)

    @property
    def di(self) -> PowerSpectrum:
        """Average spectrum of the DI."""
        return as_power_spectrum(self.freq_hz, self.s_dd, self.averages)


@dataclass(frozen=True, slots=True)
class DiSpectra:
    """Spectra of a DI, transformed once for all of its captures.

    Attributes
    ----------
    sample_rate_hz : int
        Sampling rate in Hz.
    frames : int
        Length of the DI in samples.
    starts : ndarray of int, shape (windows,)
        First sample of each window in which the DI plays.
    conjugates : ndarray of complex64, shape (windows, bins)
        Conjugates of their spectra; 600 windows at most, 39 MB at 48 kHz.
    powers : dict
        Summed powers of the windows that a capture needed, for those that need the
        same ones.
    """

    sample_rate_hz: int
    frames: int
    starts: NDArray[np.int64]
    conjugates: Spectra
    powers: dict[bytes, Float] = field(default_factory=dict, repr=False, compare=False)


def di_spectra(di: Samples, sample_rate_hz: int, activity: Activity) -> DiSpectra:
    """Transform a DI where it plays.

    Parameters
    ----------
    di : ndarray of float, shape (frames,)
        The dry DI.
    sample_rate_hz : int
        Sampling rate in Hz.
    activity : Activity
        Of the whole DI.

    Returns
    -------
    DiSpectra
        Without windows if the DI plays nowhere for half a window.
    """
    starts = window_starts(len(di), sample_rate_hz, activity.active, PLAYING_SHARE)
    bins = len(bin_frequencies(sample_rate_hz))
    conjugates = np.zeros((len(starts), bins), dtype=np.complex64)
    first = 0
    for batch in windowed_spectra(di, sample_rate_hz, starts):
        np.conjugate(batch, out=conjugates[first : first + len(batch)])
        first += len(batch)
    return DiSpectra(sample_rate_hz, len(di), starts, conjugates)


def capture_spectra(
    di: DiSpectra, x: Samples, activity: Activity
) -> CrossSpectra | None:
    """Sum all spectra of a capture against its DI, in one pass over the capture.

    Parameters
    ----------
    di : DiSpectra
        The transformed DI.
    x : ndarray of float, shape (frames,)
        The capture on the DI's time, as long as the DI.
    activity : Activity
        Of the DI, narrowed to where the capture has samples of its own.

    Returns
    -------
    CrossSpectra or None
        None if there are fewer than 8 windows with playing (about 1.5 s).

    Raises
    ------
    ValueError
        If the capture is not as long as the DI.
    """
    if x.shape != (di.frames,):
        msg = f"capture of {di.frames} samples expected, got shape {x.shape}"
        raise ValueError(msg)
    rate = di.sample_rate_hz
    wanted = window_starts(di.frames, rate, activity.active, PLAYING_SHARE)
    rows = np.flatnonzero(np.isin(di.starts, wanted))
    if len(rows) < LEAST_AVERAGES:
        return None
    half = (np.arange(len(rows)) // _RUN) % 2
    sums = [_half_sums(di, x, rows[half == k]) for k in (0, 1)]
    return CrossSpectra(
        freq_hz=bin_frequencies(rate),
        halves_dd=np.array([s[0] for s in sums]),
        halves_xx=np.array([s[1] for s in sums]),
        halves_dx=np.array([s[2] for s in sums]),
        counts=(int((half == 0).sum()), int((half == 1).sum())),
        noise=average_spectrum(x, rate, activity.quiet, share=1.0),
    )


def _half_sums(
    di: DiSpectra, x: Samples, rows: NDArray[np.int64]
) -> tuple[Float, Float, Complex]:
    xx = np.zeros(di.conjugates.shape[1])
    dx = np.zeros(di.conjugates.shape[1], dtype=np.complex128)
    first = 0
    for y in windowed_spectra(x, di.sample_rate_hz, di.starts[rows]):
        xx += summed_power(y)
        # Row by row: a copy of the DI's rows would cost as much as the product.
        for spectrum, row in zip(y, rows[first : first + len(y)].tolist(), strict=True):
            np.multiply(spectrum, di.conjugates[row], out=spectrum)
        dx += y.sum(axis=0)
        first += len(y)
    return _di_power(di, rows), xx, dx


def _di_power(di: DiSpectra, rows: NDArray[np.int64]) -> Float:
    """Sum the power of some windows of the DI."""
    key = rows.tobytes()
    if key not in di.powers:
        if len(di.powers) >= _KEPT_POWERS:
            di.powers.clear()
        batches = np.split(rows, range(_ROWS, len(rows), _ROWS))
        di.powers[key] = np.sum(
            [summed_power(di.conjugates[batch]) for batch in batches], axis=0
        )
    return di.powers[key]


def di_average(di: DiSpectra) -> PowerSpectrum | None:
    """Average spectrum of a transformed DI where it plays.

    Parameters
    ----------
    di : DiSpectra
        The transformed DI.

    Returns
    -------
    PowerSpectrum or None
        As `average_spectrum` finds it; None without windows.
    """
    count = len(di.starts)
    if not count:
        return None
    total = _di_power(di, np.arange(count))
    return as_power_spectrum(bin_frequencies(di.sample_rate_hz), total, count)


def _explained(cross: CrossSpectra) -> tuple[Float, Float]:
    """Power per bin that the halves explain of each other, and power in all."""
    # The halves' noise is independent, so it drops out of the product on average,
    # and by the Schwarz inequality no bin explains more than there is.
    agreed = np.real(np.conj(cross.halves_dx[0]) * cross.halves_dx[1])
    di_power = np.sqrt(cross.halves_dd[0] * cross.halves_dd[1])
    total = np.sqrt(cross.halves_xx[0] * cross.halves_xx[1])
    explained = np.divide(
        agreed, di_power, out=np.zeros_like(agreed), where=di_power > 0
    )
    return explained, total


def linear_share(cross: CrossSpectra) -> float | None:
    """Share of the capture's power that a linear filter of its DI explains.

    Coherent output power gamma^2 Gxx (Bendat and Piersol, Random Data) over the
    whole from 60 Hz to 12 kHz. It is cross-validated: the cross spectra of two
    halves of the performance are multiplied with each other, so a capture of
    another performance reads 0 on average instead of one over the number of
    windows. For Gaussian input into a memoryless distortion it is the squared
    correlation coefficient of Bussgang's theorem (0.637 for a sign function).

    Parameters
    ----------
    cross : CrossSpectra
        Spectra of an aligned pair. A delay left between them (a room microphone)
        counts against it: 10 ms lower it by 0.011, 20 ms by 0.044.

    Returns
    -------
    float or None
        0 to 1, no unit; 1 is a clean linear chain, and distortion, noise, reverb
        longer than 0.3 s and modulation lower it. None for a silent capture.
    """
    inside = (cross.freq_hz >= BAND_HZ[0]) & (cross.freq_hz <= BAND_HZ[1])
    explained, total = _explained(cross)
    whole = float(total[inside].sum())
    if whole <= _FLOOR:
        return None
    return float(np.clip(explained[inside].sum() / whole, 0.0, 1.0))


def coherence_curve(cross: CrossSpectra) -> tuple[Float, Float]:
    """Share explained per third octave, for a plot.

    Parameters
    ----------
    cross : CrossSpectra
        Spectra of an aligned pair.

    Returns
    -------
    freq_hz, share : ndarray
        Exact centres (IEC 61260-1) and shares of 0 to 1, power-weighted inside
        each band and cross-validated as in `linear_share`; bands above half the
        sampling rate or without power are left out.
    """
    explained, total = (
        PowerSpectrum(cross.freq_hz, part, cross.averages) for part in _explained(cross)
    )
    bands = third_octave_bands()
    low = np.array([b.low_hz for b in bands])
    high = np.array([b.high_hz for b in bands])
    centre = np.array([b.centre_hz for b in bands])
    part, whole = band_power(explained, low, high), band_power(total, low, high)
    kept = (high <= cross.freq_hz[-1]) & (whole > _FLOOR)
    return centre[kept], np.clip(part[kept] / whole[kept], 0.0, 1.0)


def coherence(cross: CrossSpectra) -> Float:
    """Magnitude-squared coherence per bin, unbiased where there is none.

    Parameters
    ----------
    cross : CrossSpectra
        Spectra of an aligned pair.

    Returns
    -------
    ndarray, shape (bins,)
        (n gamma^2 - 1) / (n - 1), from -1 / (n - 1) to 1; of n independent
        averages plain gamma^2 has the mean 1 / n where nothing is in common.
    """
    power = cross.s_dd * cross.s_xx
    plain = np.divide(
        np.square(np.abs(cross.s_dx)), power, out=np.zeros_like(power), where=power > 0
    )
    n = cross.averages
    return (n * plain - 1.0) / (n - 1.0)


def response(cross: CrossSpectra) -> Float:
    """Linear impulse response from DI to capture.

    Parameters
    ----------
    cross : CrossSpectra
        Spectra of an aligned pair.

    Returns
    -------
    ndarray of float64, shape (2 * (bins - 1),)
        Response with lag 0 in the middle (index bins - 1); index minus that is
        the lag in samples, positive = the capture is late. Frequencies that the
        DI does not play (60 dB under its strongest) are damped.
    """
    floor = 1e-6 * float(cross.s_dd.max())
    ratio = cross.s_dx / (cross.s_dd + max(floor, _FLOOR))
    return np.asarray(scipy.fft.fftshift(scipy.fft.irfft(ratio)), dtype=np.float64)
