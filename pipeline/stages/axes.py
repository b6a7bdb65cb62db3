"""The frequency axes that the curves of a record share."""

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.spectrum import (
    ERB_NUMBERS,
    Band,
    PowerSpectrum,
    erb_frequency,
    smoothed_spectrum,
    third_octave_bands,
    window_length,
)
from pipeline.models.record import Axes


def third_octave_axis(sample_rate_hz: int) -> tuple[Band, ...]:
    """Third octaves that fit below half the sampling rate.

    Parameters
    ----------
    sample_rate_hz : int
        The DI's rate.

    Returns
    -------
    tuple of Band
        From 25 Hz upwards, IEC 61260-1 base ten.
    """
    return tuple(
        band for band in third_octave_bands() if band.high_hz <= sample_rate_hz / 2
    )


def on_axis(
    axis: tuple[Band, ...], freq_hz: NDArray[np.float64], values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Put values of some bands on the whole axis.

    Parameters
    ----------
    axis : tuple of Band
        All bands.
    freq_hz, values : ndarray, shape (bands,)
        Exact centres that have a value, and the values.

    Returns
    -------
    ndarray, shape (len(axis),)
        0 where a band has none.
    """
    known = dict(zip(np.round(freq_hz, 3).tolist(), values.tolist(), strict=True))
    return np.array([known.get(round(band.centre_hz, 3), 0.0) for band in axis])


def record_axes(sample_rate_hz: int) -> Axes:
    """Describe the axes for a record.

    Parameters
    ----------
    sample_rate_hz : int
        The DI's rate.

    Returns
    -------
    Axes
        Third octaves, ERB-spaced bands and the points of the smoothed spectrum.
    """
    bands = third_octave_axis(sample_rate_hz)
    bins = window_length(sample_rate_hz) // 2 + 1
    freq = np.linspace(0.0, sample_rate_hz / 2, bins)
    smooth, _ = smoothed_spectrum(PowerSpectrum(freq, np.ones(bins), 1))
    return Axes(
        third_octave_hz=tuple(round(band.centre_hz, 4) for band in bands),
        third_octave_label=tuple(band.label for band in bands),
        erb_hz=tuple(np.round(erb_frequency(ERB_NUMBERS), 2).tolist()),
        smooth_hz=tuple(np.round(smooth, 2).tolist()),
    )
