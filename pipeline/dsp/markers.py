"""Where do the markers of a play-out file lie in its capture?

Three short chirps at unequal gaps. An amplifier swallows clicks, but a chirp survives
saturation, and unequal gaps leave one lag only at which all three are met. The lag is
the delay beyond the minimum phase of amp, speaker and microphone, as in `latency`.
Positive lag: late. It comes out late by up to one sample at 48 kHz, two where the
amplifier is driven 20 dB into saturation, and up to seven where filters lie ahead of
the clipping, which hides their magnitude but not their delay: enough to confirm the
music's own lag, and drift is free of it, since both sets share the bias.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.impulse import excess_delay

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]
Samples = NDArray[np.float32] | NDArray[np.float64]

CHIRP_HZ = (120.0, 12_000.0)
CHIRP_S = 0.06
STARTS_S = (0.0, 0.31, 0.78)
SPAN_S = 1.0
"""Three chirps and their last ring; the gaps are 0.31 and 0.47 s."""
STANDS_OUT = 6.0
_TAIL_S = 0.06
_PRE_S = 0.01
_EARLY_S = 0.003
_RING_S = 0.03
_TINY = 1e-30


@dataclass(frozen=True, slots=True)
class MarkerFix:
    """Where a set of markers was found.

    Attributes
    ----------
    lag_samples : float
        How much later than expected; positive = late.
    polarity : int
        1 or -1.
    spread_samples : float
        Largest difference between the three chirps' own lags.
    prominence : float
        Height over the median of the search; 6 and more is accepted.
    agreement : float
        0 to 1: how well one delay explains every phase.
    """

    lag_samples: float
    polarity: int
    spread_samples: float
    prominence: float
    agreement: float


def chirp(sample_rate_hz: int) -> Float:
    """Make one chirp.

    Parameters
    ----------
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    ndarray of float64
        60 ms, exponential from 120 Hz to 12 kHz (or 0.45 of the rate), peak 1, with
        Tukey fades over a quarter.
    """
    count = round(CHIRP_S * sample_rate_hz)
    low, high = CHIRP_HZ[0], min(CHIRP_HZ[1], 0.45 * sample_rate_hz)
    time = np.arange(count) / sample_rate_hz
    growth = CHIRP_S / np.log(high / low)
    wave = np.sin(2.0 * np.pi * low * growth * np.expm1(time / growth))
    edge = np.minimum(np.arange(count), np.arange(count)[::-1]) / (count / 8.0)
    wave *= 0.5 - 0.5 * np.cos(np.pi * np.minimum(edge, 1.0))
    return np.asarray(wave / np.abs(wave).max())


def marker_signal(sample_rate_hz: int) -> Float:
    """Make a set of three chirps.

    Parameters
    ----------
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    ndarray of float64
        One second, peak 1.
    """
    wave = np.zeros(round(SPAN_S * sample_rate_hz))
    one = chirp(sample_rate_hz)
    for start in marker_starts(sample_rate_hz):
        wave[start : start + len(one)] = one
    return wave


def marker_starts(sample_rate_hz: int) -> tuple[int, ...]:
    """Say where the chirps start.

    Parameters
    ----------
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    tuple of int
        Samples from the start of the set.
    """
    return tuple(round(start * sample_rate_hz) for start in STARTS_S)


def find_markers(
    capture: Samples, expected: int, reach: int, sample_rate_hz: int
) -> MarkerFix | None:
    """Find a set of markers in a capture.

    Parameters
    ----------
    capture : ndarray of float, shape (frames,)
        The whole recording, or a part of it.
    expected : int
        Sample at which the set would start without latency.
    reach : int
        How far from there to look, on both sides.
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    MarkerFix or None
        None where no place stands out at which all three chirps are met.
    """
    one = chirp(sample_rate_hz)
    starts = marker_starts(sample_rate_hz)
    first = expected - reach
    count = 2 * reach + starts[-1] + len(one) + round(_TAIL_S * sample_rate_hz)
    part = _piece(capture, first, count)
    envelope = _envelope(part, one)
    met = np.min([envelope[s : s + 2 * reach + 1] for s in starts], axis=0)
    at = int(met.argmax())
    prominence = float(met[at]) / max(float(np.median(met)), _TINY)
    if met[at] <= _TINY or prominence < STANDS_OUT:
        return None
    fixes = [_fine(part, at + start, one, sample_rate_hz) for start in starts]
    delays = [delay for delay, _, _ in fixes]
    votes = sum(polarity for _, polarity, _ in fixes)
    return MarkerFix(
        lag_samples=first + at + float(np.median(delays)) - expected,
        polarity=1 if votes > 0 else -1,
        spread_samples=float(np.ptp(delays)),
        prominence=prominence,
        agreement=min(agreement for _, _, agreement in fixes),
    )


def drift_ppm(early: MarkerFix, late: MarkerFix, apart_samples: int) -> float:
    """Drift between two sets of markers.

    Parameters
    ----------
    early, late : MarkerFix
        Before and after the music.
    apart_samples : int
        Distance of the two sets in the play-out file.

    Returns
    -------
    float
        Parts per million; positive = the capture falls behind.
    """
    return (late.lag_samples - early.lag_samples) / apart_samples * 1e6


def _piece(capture: Samples, first: int, count: int) -> Float:
    piece = np.zeros(count)
    start, stop = max(first, 0), min(first + count, len(capture))
    if stop > start:
        piece[start - first : stop - first] = capture[start:stop]
    return piece


def _envelope(part: Float, one: Float) -> Float:
    """Magnitude of the matched filter's analytic output."""
    size = scipy.fft.next_fast_len(len(part) + len(one))
    spectrum = scipy.fft.fft(part, size) * np.conj(scipy.fft.fft(one, size))
    spectrum[(size + 1) // 2 :] = 0.0
    return np.asarray(np.abs(scipy.fft.ifft(spectrum))[: len(part)])


def _fine(part: Float, at: int, one: Float, rate: int) -> tuple[float, int, float]:
    """Delay of one chirp beyond the minimum phase, from the coarse place on."""
    pre = round(_PRE_S * rate)
    length = len(one) + pre + round(_TAIL_S * rate)
    size = scipy.fft.next_fast_len(2 * length, real=True)
    size += size % 2
    heard = scipy.fft.rfft(_piece(part, at - pre, length), size)
    played = scipy.fft.rfft(one, size)
    freq = scipy.fft.rfftfreq(size, 1.0 / rate)
    power = np.abs(played) ** 2
    response = heard * np.conj(played) / (power + 1e-6 * power.max())
    response = _gated(response, pre, size, rate)
    low, high = 1.3 * CHIRP_HZ[0], 0.8 * min(CHIRP_HZ[1], 0.45 * rate)
    inside = (freq >= low) & (freq <= high)
    strength = np.abs(response) * inside
    weight = np.minimum(strength / max(float(strength.max()), _TINY), 0.3)
    return excess_delay(response, weight, size)


def _gated(response: Complex, pre: int, size: int, rate: int) -> Complex:
    """Keep the linear response: harmonics of a chirp lie well ahead of it."""
    early, length = round(_EARLY_S * rate), round(_RING_S * rate)
    taps = np.roll(scipy.fft.irfft(response, size), early - pre)
    taps[length:] = 0.0
    fall = length // 2
    taps[length - fall : length] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fall) / fall)
    turn = np.exp(2j * np.pi * np.arange(size // 2 + 1) * early / size)
    return np.asarray(scipy.fft.rfft(taps) * turn)
