"""The average spectrum of a capture while the DI plays.

Power spectra by Welch's method (Hann window of about a third of a second,
overlapped, only over chosen frames), and their sums into bands: third octaves
of IEC 61260-1:2014 (base ten), auditory bands of Glasberg and Moore (1990), and
sixth octaves for plots. Power is full scale squared per Hz, one-sided; band
levels are 10 log10 of the mean square with full scale 1.0 (a full-scale sine
reads -3.01 dB).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.activity import FRAME_S

Bools = NDArray[np.bool_]
Float = NDArray[np.float64]
Spectra = NDArray[np.complex64]
Samples = NDArray[np.float32] | NDArray[np.float64]

WINDOW_S = 0.34
PLAYING_SHARE = 0.5
MOST_WINDOWS = 600
LOWEST_DB = -300.0
G = 10.0**0.3
THIRD_OCTAVE_LABELS = (
    *("25", "31.5", "40", "50", "63", "80", "100", "125", "160", "200"),
    *("250", "315", "400", "500", "630", "800", "1000", "1250", "1600", "2000"),
    *("2500", "3150", "4000", "5000", "6300", "8000", "10000", "12500"),
    *("16000", "20000"),
)
FIRST_THIRD_OCTAVE = -16
ERB_NUMBERS = np.arange(2.0, 40.0)
AUDIBLE_RANGE_DB = 60.0
PLOT_POINTS = 240
PLOT_SPAN_HZ = (20.0, 20000.0)

_BATCH = 16


@dataclass(frozen=True, slots=True)
class PowerSpectrum:
    """An average power spectrum.

    Attributes
    ----------
    freq_hz : ndarray, shape (bins,)
        Evenly spaced from 0 to half the sampling rate.
    power : ndarray, shape (bins,)
        Power density in full scale squared per Hz, one-sided.
    averages : int
        Number of windows averaged.
    """

    freq_hz: Float
    power: Float
    averages: int

    def scaled(self, gain_db: float) -> "PowerSpectrum":
        """Spectrum after a static gain.

        Parameters
        ----------
        gain_db : float
            Gain in dB.

        Returns
        -------
        PowerSpectrum
            Power times 10 ** (gain_db / 10).
        """
        gain = 10.0 ** (gain_db / 10.0)
        return PowerSpectrum(self.freq_hz, self.power * gain, self.averages)

    def without(self, noise: "PowerSpectrum | None") -> "PowerSpectrum":
        """Spectrum with a noise print subtracted, never below zero.

        Parameters
        ----------
        noise : PowerSpectrum or None
            Noise print on the same frequencies; None changes nothing.

        Returns
        -------
        PowerSpectrum
            What is left.
        """
        if noise is None:
            return self
        rest = np.maximum(self.power - noise.power, 0.0)
        return PowerSpectrum(self.freq_hz, rest, self.averages)


@dataclass(frozen=True, slots=True)
class Band:
    """One frequency band.

    Attributes
    ----------
    label : str
        Nominal frequency in Hz as text.
    centre_hz, low_hz, high_hz : float
        Exact mid-band and edge frequencies.
    """

    label: str
    centre_hz: float
    low_hz: float
    high_hz: float


def window_length(sample_rate_hz: int) -> int:
    """Length of the analysis window in samples, a power of two.

    Parameters
    ----------
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    int
        Nearest to 0.34 s: 16384 at 44.1 and 48 kHz (2.93 Hz a bin at 48 kHz).
    """
    return int(2 ** round(np.log2(sample_rate_hz * WINDOW_S)))


def window_starts(
    frames: int, sample_rate_hz: int, chosen: Bools, share: float
) -> NDArray[np.int64]:
    """Place windows over the chosen frames.

    Windows overlap by half up to 102 s of signal at 48 kHz. Beyond that 600
    windows are spread evenly, so that time and memory stay bounded: still
    without gaps up to 200 s, and a sample of a longer signal.

    Parameters
    ----------
    frames : int
        Length of the signal in samples.
    sample_rate_hz : int
        Sampling rate in Hz.
    chosen : ndarray of bool
        Frames of `Activity` to use.
    share : float
        Least share of a window's frames that must be chosen; 1.0 means all.

    Returns
    -------
    ndarray of int
        Start samples, ascending.
    """
    size = window_length(sample_rate_hz)
    step = max(size // 2, -(-frames // MOST_WINDOWS))
    starts = np.arange(0, max(frames - size, -1) + 1, step)
    seen = np.concatenate([[0], np.cumsum(chosen)])
    frame = FRAME_S * sample_rate_hz
    first = np.floor(starts / frame).astype(np.int64)
    last = np.ceil((starts + size) / frame).astype(np.int64)
    inside = seen[np.minimum(last, len(chosen))] - seen[np.minimum(first, len(chosen))]
    return np.asarray(starts[inside >= share * (last - first) - 1e-9], dtype=np.int64)


@lru_cache(maxsize=4)
def _window(sample_rate_hz: int) -> NDArray[np.float32]:
    size = window_length(sample_rate_hz)
    hann = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(size) / size)
    scale = np.sqrt(2.0 / (sample_rate_hz * np.sum(hann**2)))
    return np.asarray(hann * scale, dtype=np.float32)


def windowed_spectra(
    x: Samples, sample_rate_hz: int, starts: NDArray[np.int64]
) -> Iterator[Spectra]:
    """Spectra of Hann-windowed pieces, a few at a time.

    Parameters
    ----------
    x : ndarray of float, shape (frames,)
        Signal; transformed in single precision, whose rounding lies about
        140 dB under the strongest component.
    sample_rate_hz : int
        Sampling rate in Hz.
    starts : ndarray of int
        First samples of the windows.

    Yields
    ------
    ndarray of complex64, shape (up to 16, bins)
        Scaled so that the squared magnitude is power density, one-sided but for
        the first and last bin.
    """
    window = _window(sample_rate_hz)
    size = len(window)
    pieces = np.empty((_BATCH, size), dtype=np.float32)
    for first in range(0, len(starts), _BATCH):
        batch = starts[first : first + _BATCH]
        for piece, start in zip(pieces, batch, strict=False):
            np.multiply(x[start : start + size], window, out=piece, casting="same_kind")
        yield scipy.fft.rfft(pieces[: len(batch)], axis=1)


def bin_frequencies(sample_rate_hz: int) -> Float:
    """Frequencies of the bins of `windowed_spectra`.

    Parameters
    ----------
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    ndarray, shape (bins,)
        Hz, from 0 to half the rate.
    """
    size = window_length(sample_rate_hz)
    bins = np.arange(size // 2 + 1) * (sample_rate_hz / size)
    return np.asarray(bins, dtype=np.float64)


def summed_power(spectra: Spectra) -> Float:
    """Squared magnitude summed over windows.

    Parameters
    ----------
    spectra : ndarray of complex64, shape (windows, bins)
        Spectra of some windows.

    Returns
    -------
    ndarray of float64, shape (bins,)
        Sum of |spectrum| squared.
    """
    parts = spectra.view(np.float32)
    squares = np.einsum("ij,ij->j", parts, parts)
    # Ten times as fast as the sum of each pair.
    return np.asarray(squares[::2] + squares[1::2], dtype=np.float64)


def average_spectrum(
    x: Samples, sample_rate_hz: int, active: Bools, share: float = PLAYING_SHARE
) -> PowerSpectrum | None:
    """Average power spectrum over chosen frames (Welch).

    Parameters
    ----------
    x : ndarray of float, shape (frames,)
        Signal, full scale 1.0.
    sample_rate_hz : int
        Sampling rate in Hz.
    active : ndarray of bool
        Frames of `Activity` to average over.
    share : float
        Least share of a window that must be chosen; use 1.0 for a noise print.

    Returns
    -------
    PowerSpectrum or None
        None if no window of 0.34 s lies in the chosen frames.
    """
    starts = window_starts(len(x), sample_rate_hz, active, share)
    if not len(starts):
        return None
    freq = bin_frequencies(sample_rate_hz)
    total = np.zeros(len(freq))
    for spectra in windowed_spectra(x, sample_rate_hz, starts):
        total += summed_power(spectra)
    return as_power_spectrum(freq, total, len(starts))


def as_power_spectrum(freq_hz: Float, total: Float, averages: int) -> PowerSpectrum:
    """Turn a sum over windows into a one-sided average.

    Parameters
    ----------
    freq_hz : ndarray, shape (bins,)
        Frequencies in Hz.
    total : ndarray, shape (bins,)
        Sum of `summed_power` over the windows.
    averages : int
        Number of windows, 1 or more.

    Returns
    -------
    PowerSpectrum
        The first and last bin, which have no mirror image, are halved.
    """
    power = total / averages
    power[[0, -1]] *= 0.5
    return PowerSpectrum(freq_hz, power, averages)


def band_power(spectrum: PowerSpectrum, low_hz: Float, high_hz: Float) -> Float:
    """Power between pairs of frequencies.

    Parameters
    ----------
    spectrum : PowerSpectrum
        Average spectrum.
    low_hz, high_hz : ndarray, shape (bands,)
        Edges; a bin that an edge cuts counts in part.

    Returns
    -------
    ndarray, shape (bands,)
        Mean square, full scale 1.0; nothing above half the sampling rate.
    """
    step = spectrum.freq_hz[1] - spectrum.freq_hz[0]
    edges = np.append(spectrum.freq_hz - step / 2.0, spectrum.freq_hz[-1] + step / 2.0)
    below = np.concatenate([[0.0], np.cumsum(spectrum.power) * step])
    rise = np.interp(high_hz, edges, below) - np.interp(low_hz, edges, below)
    return np.asarray(np.maximum(rise, 0.0), dtype=np.float64)


def band_levels(spectrum: PowerSpectrum, low_hz: Float, high_hz: Float) -> Float:
    """Level between pairs of frequencies.

    Parameters
    ----------
    spectrum : PowerSpectrum
        Average spectrum.
    low_hz, high_hz : ndarray, shape (bands,)
        Edges in Hz.

    Returns
    -------
    ndarray, shape (bands,)
        10 log10 of the mean square, never below -300 dB.
    """
    power = band_power(spectrum, low_hz, high_hz)
    return np.maximum(10.0 * np.log10(np.maximum(power, 1e-30)), LOWEST_DB)


def third_octave_bands() -> tuple[Band, ...]:
    """Third-octave bands from 25 Hz to 20 kHz (IEC 61260-1:2014, base ten).

    Returns
    -------
    tuple of Band
        fm = 1000 G^(x/3) with G = 10^0.3, edges fm G^(-1/6) and fm G^(1/6).
    """
    return tuple(
        Band(
            label,
            1000.0 * G ** (x / 3.0),
            1000.0 * G ** ((2 * x - 1) / 6.0),
            1000.0 * G ** ((2 * x + 1) / 6.0),
        )
        for x, label in enumerate(THIRD_OCTAVE_LABELS, start=FIRST_THIRD_OCTAVE)
    )


def third_octave_levels(spectrum: PowerSpectrum) -> Float:
    """Levels in the bands of `third_octave_bands`.

    Parameters
    ----------
    spectrum : PowerSpectrum
        Average spectrum.

    Returns
    -------
    ndarray, shape (30,)
        dB re a mean square of 1.0. Bands above half the sampling rate read
        -300 dB; below 50 Hz the 0.34 s window widens the bands.
    """
    bands = third_octave_bands()
    return band_levels(
        spectrum,
        np.array([b.low_hz for b in bands]),
        np.array([b.high_hz for b in bands]),
    )


def erb_frequency(number: Float) -> Float:
    """Frequency of an ERB-number (auditory position), Glasberg and Moore 1990.

    Parameters
    ----------
    number : ndarray
        ERB-number, 21.4 log10(4.37 f / 1000 + 1).

    Returns
    -------
    ndarray
        f in Hz.
    """
    return (10.0 ** (number / 21.4) - 1.0) / 4.37e-3


def erb_band_levels(
    spectrum: PowerSpectrum, noise: PowerSpectrum | None = None
) -> Float:
    """Levels in 38 bands, one ERB wide, from 40 Hz to 15.8 kHz.

    Parameters
    ----------
    spectrum : PowerSpectrum
        Average spectrum of a level-matched capture while the DI plays.
    noise : PowerSpectrum, optional
        Noise print at the same gain. It is subtracted, and a band is not taken
        below its own noise, where nothing is known about the tone.

    Returns
    -------
    ndarray, shape (38,)
        dB re a mean square of 1.0, centred on ERB-numbers 2 to 39, none more
        than 60 dB below the strongest: what lies lower is not heard beside it
        (common practice, no source).
    """
    low, high = erb_frequency(ERB_NUMBERS - 0.5), erb_frequency(ERB_NUMBERS + 0.5)
    power = band_power(spectrum, low, high)
    if noise is not None:
        hiss = band_power(noise, low, high)
        power = np.maximum(power - hiss, hiss)
    floor = float(power.max()) * 10.0 ** (-AUDIBLE_RANGE_DB / 10.0)
    return 10.0 * np.log10(np.maximum(power, max(floor, 1e-30)))


def spectral_distance_db(a: Float, b: Float) -> float:
    """Distance between two tones: RMS difference over auditory bands.

    The captures are compared as they are heard, level-matched by loudness, so
    the mean difference is kept: removing it would hide that a dark tone needs
    more level below to be as loud. Each band is one ERB wide and counts alike,
    as it does along the ear. The measure is a true distance (zero for equal
    vectors, symmetric, triangle inequality).

    Parameters
    ----------
    a, b : ndarray, shape (bands,)
        Levels of `erb_band_levels` in dB.

    Returns
    -------
    float
        sqrt(mean((a - b) ** 2)) in dB; 0 for equal tones. Common practice (log
        spectral distance), no standard.

    Raises
    ------
    ValueError
        If the vectors differ in length.
    """
    if a.shape != b.shape:
        msg = f"distance between vectors of shapes {a.shape} and {b.shape}"
        raise ValueError(msg)
    return float(np.sqrt(np.mean(np.square(a - b))))


def smoothed_spectrum(
    spectrum: PowerSpectrum, points: int = PLOT_POINTS
) -> tuple[Float, Float]:
    """Spectrum in sliding sixth-octave bands, for plots.

    Parameters
    ----------
    spectrum : PowerSpectrum
        Average spectrum.
    points : int
        Number of points, evenly spaced in log frequency from 20 Hz to 20 kHz.

    Returns
    -------
    freq_hz, level_db : ndarray
        Centres and levels in dB re a mean square of 1.0 (pink noise is flat);
        points whose band reaches above half the sampling rate are left out.
    """
    centres = np.geomspace(*PLOT_SPAN_HZ, points)
    low, high = centres * G ** (-1.0 / 12.0), centres * G ** (1.0 / 12.0)
    kept = high <= spectrum.freq_hz[-1]
    return centres[kept], band_levels(spectrum, low[kept], high[kept])
