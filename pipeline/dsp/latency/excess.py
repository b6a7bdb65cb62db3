"""The delay that is left after the minimum phase has been taken out.

With Z the unit phasor of the cross spectrum without its minimum phase, and w
the weight of maximum likelihood, J(tau) = sum w Re(Z exp(i 2 pi f tau)) / sum w
is 1 for a pure delay tau and -1 for an inverted one: sign and delay are decided
together by the largest size.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.latency.minimum_phase import Band, Colour, minimum_phase
from pipeline.dsp.latency.spectra import ClipSpectra

WEIGHT_CAP = 10.0
TAPER_OCTAVES = 0.3
RANGE_S = 0.0042
FINER = 8


@dataclass(frozen=True, slots=True)
class ExcessDelay:
    """Excess delay of the capture over the lag already taken out.

    Attributes
    ----------
    delay_samples : float
        Positive = later than the lag taken out.
    sign : int
        1 or -1: the sign that agrees better.
    agreement : float
        J at the best delay and sign, 0 to 1.
    opposite_ratio : float
        The best agreement of the other sign over `agreement`.
    """

    delay_samples: float
    sign: int
    agreement: float
    opposite_ratio: float


def band_weight(
    coherence: NDArray[np.float64], freq_hz: NDArray[np.float64], band: Band
) -> NDArray[np.float64]:
    """Weight of each bin: C / (1 - C), capped, fading at the upper edge.

    Parameters
    ----------
    coherence : NDArray[np.float64]
        Squared coherence.
    freq_hz : NDArray[np.float64]
        Its frequencies.
    band : Band
        Usable band; nothing counts outside.

    Returns
    -------
    NDArray[np.float64]
        0 or more. Hannan and Thomson's weight: Knapp and Carter 1976.
    """
    inside = (freq_hz >= band.low_hz) & (freq_hz <= band.high_hz)
    weight = np.minimum(coherence / (1.0 - coherence), WEIGHT_CAP)
    octaves = np.log2(band.high_hz / np.maximum(freq_hz, 1.0))
    return np.asarray(weight * inside * np.clip(octaves / TAPER_OCTAVES, 0.0, 1.0))


def agreement_over_delay(
    weighted: NDArray[np.complex128], nfft: int
) -> NDArray[np.float64]:
    """J over all delays of a frame, `FINER` points a sample.

    Parameters
    ----------
    weighted : NDArray[np.complex128]
        Weighted phasors on the bins of an `nfft` frame; shape (..., bins).
    nfft : int
        Frame length.

    Returns
    -------
    NDArray[np.float64]
        Shape (..., FINER * nfft); negative delays at the end.
    """
    spread: NDArray[np.float64] = np.fft.irfft(weighted, FINER * nfft)
    return spread * (0.5 * FINER * nfft)


def _refined(curve: NDArray[np.float64], top: int) -> float:
    """Place of a maximum between points, by a parabola."""
    before, here, after = curve[top - 1], curve[top], curve[(top + 1) % curve.size]
    bend = before - 2.0 * here + after
    return top + (0.5 * float((before - after) / bend) if bend < 0.0 else 0.0)


def excess_delay(
    spectra: ClipSpectra, colour: Colour, band: Band, range_s: float = RANGE_S
) -> ExcessDelay:
    """Delay and sign of the all-pass part of the relation DI to capture.

    Parameters
    ----------
    spectra : ClipSpectra
        Spectra over all clips.
    colour : Colour
        Their colour.
    band : Band
        The usable band.
    range_s : float
        How far on either side of the lag already taken out to search.

    Returns
    -------
    ExcessDelay
        The delay and sign that agree best.
    """
    freq = spectra.freq_hz
    cross = spectra.cross.sum(axis=0, dtype=np.complex128)
    weight = band_weight(spectra.coherence(), freq, band)
    phasor = cross / (np.abs(cross) + 1e-30)
    phasor *= np.exp(-1j * minimum_phase(colour, band, freq))
    weighted = weight * phasor / (weight.sum() + 1e-30)
    curve = agreement_over_delay(weighted, spectra.nfft)
    reach = int(range_s * spectra.sample_rate_hz) * FINER
    curve = np.concatenate((curve[-reach:], curve[: reach + 1]))
    sign = 1 if curve.max() >= -curve.min() else -1
    top = int(np.argmax(sign * curve))
    inner = min(max(top, 1), curve.size - 2)
    place = _refined(sign * curve, inner)
    best = float(sign * curve[top])
    return ExcessDelay(
        (place - reach) / FINER,
        sign,
        best,
        max(float((-sign * curve).max()), 0.0) / (best + 1e-30),
    )
