"""What colours a sound without delaying it: minimum-phase responses.

A colour is drawn as a level in dB over frequency and turned into the one causal
response of that magnitude whose energy comes earliest (minimum phase), so its
onset is at zero and it counts nothing towards latency. The curves are drawn up to
96 kHz, as an analogue part would go on beyond the audio band, and the response is
kept up to 24 kHz, as a converter at 48 kHz keeps it.

Levels: float64 arrays over `grid_hz()`. Responses: complex128 arrays of
`RESPONSE_BINS` bins, the spectrum of an impulse response of `RESPONSE_FRAMES`
frames at `SAMPLE_RATE_HZ`.
"""

import numpy as np
from numpy.typing import NDArray

SAMPLE_RATE_HZ = 48_000
OVERSAMPLING = 4
RESPONSE_FRAMES = 32_768
RESPONSE_BINS = RESPONSE_FRAMES // 2 + 1

_FINE_FRAMES = OVERSAMPLING * RESPONSE_FRAMES
_FLOOR_DB = -120.0

Level = NDArray[np.float64]
Response = NDArray[np.complex128]


def grid_hz() -> Level:
    """Frequencies that levels are drawn over.

    Returns
    -------
    numpy.ndarray
        65,537 frequencies from just above 0 to 96 kHz; the first bin stands half
        a bin above zero, so that logarithms stay finite.
    """
    step_hz = SAMPLE_RATE_HZ / RESPONSE_FRAMES
    frequency_hz: Level = np.arange(_FINE_FRAMES // 2 + 1) * np.float64(step_hz)
    frequency_hz[0] = step_hz / 2.0
    return frequency_hz


def low_pass(frequency_hz: Level, corner_hz: float, order: float) -> Level:
    """Level of a maximally flat low-pass.

    Parameters
    ----------
    frequency_hz : numpy.ndarray
        Frequencies in Hz.
    corner_hz : float
        Where the level is -3 dB.
    order : float
        Slope in units of 6 dB an octave; need not be whole.

    Returns
    -------
    numpy.ndarray
        Level in dB (Butterworth's magnitude).
    """
    return -10.0 * np.log10(1.0 + (frequency_hz / corner_hz) ** (2.0 * order))


def high_pass(frequency_hz: Level, corner_hz: float, order: float) -> Level:
    """Level of a maximally flat high-pass: the mirror image of `low_pass`.

    Parameters
    ----------
    frequency_hz : numpy.ndarray
        Frequencies in Hz.
    corner_hz : float
        Where the level is -3 dB.
    order : float
        Slope in units of 6 dB an octave.

    Returns
    -------
    numpy.ndarray
        Level in dB.
    """
    return -10.0 * np.log10(1.0 + (corner_hz / frequency_hz) ** (2.0 * order))


def bell(
    frequency_hz: Level, centre_hz: float, width_octaves: float, gain_db: float
) -> Level:
    """Level of a hump or a dip.

    Parameters
    ----------
    frequency_hz : numpy.ndarray
        Frequencies in Hz.
    centre_hz : float
        Where the hump is highest.
    width_octaves : float
        Distance from the centre at which 61 % of the gain (in dB) is left.
    gain_db : float
        Height; negative for a dip.

    Returns
    -------
    numpy.ndarray
        Level in dB.
    """
    octaves = np.log2(frequency_hz / centre_hz)
    return gain_db * np.exp(-0.5 * (octaves / width_octaves) ** 2)


def shelf(frequency_hz: Level, corner_hz: float, gain_db: float) -> Level:
    """Level of a high shelf.

    Parameters
    ----------
    frequency_hz : numpy.ndarray
        Frequencies in Hz.
    corner_hz : float
        Where half of the gain (in dB) is reached.
    gain_db : float
        Gain far above the corner.

    Returns
    -------
    numpy.ndarray
        Level in dB.
    """
    return gain_db / (1.0 + (corner_hz / frequency_hz) ** 2)


def minimum_phase(level_db: Level) -> Response:
    """Turn a level into its minimum-phase response.

    The cepstrum of the logarithmic magnitude is folded onto positive times
    (Oppenheim and Schafer, Discrete-Time Signal Processing, homomorphic chapter;
    cited from memory).

    Parameters
    ----------
    level_db : numpy.ndarray
        Level in dB over `grid_hz()`; taken as no lower than -120 dB.

    Returns
    -------
    numpy.ndarray
        Complex response up to 24 kHz, onset at zero.
    """
    log_magnitude = np.maximum(level_db, _FLOOR_DB) * (np.log(10.0) / 20.0)
    cepstrum = np.fft.irfft(log_magnitude, _FINE_FRAMES)
    cepstrum[1 : _FINE_FRAMES // 2] *= 2.0
    cepstrum[_FINE_FRAMES // 2 + 1 :] = 0.0
    response: Response = np.exp(np.fft.rfft(cepstrum)[:RESPONSE_BINS])
    return response


def delayed(response: Response, delay_samples: float) -> Response:
    """Move a response to a later time, exactly.

    Parameters
    ----------
    response : numpy.ndarray
        Complex response.
    delay_samples : float
        Delay at 48 kHz, fractions included; positive is later.

    Returns
    -------
    numpy.ndarray
        The response times the linear phase of the delay.
    """
    turns = np.arange(len(response)) * (delay_samples / RESPONSE_FRAMES)
    moved: Response = response * np.exp(-2j * np.pi * turns)
    return moved
