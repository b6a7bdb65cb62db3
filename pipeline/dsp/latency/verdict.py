"""Whether a capture is a recording of this DI at all.

Two tests that do not share their failures: how much of the capture a linear
filter of the DI explains on clips the filter was not fitted on, and how many
clips, each on its own, find the lag of the rest. Another take of the same riff
passes neither, however similar it sounds.
"""

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.latency.excess import band_weight
from pipeline.dsp.latency.minimum_phase import Band
from pipeline.dsp.latency.results import Verdict
from pipeline.dsp.latency.spectra import ClipSpectra, debiased_coherence

EXPLAINED_FROM_HZ = 80.0
EXPLAINED_TO_HZ = 8000.0
AGREE_S = 0.00025
MATCH_EXPLAINED = 0.05
MATCH_VOTE = 0.4
WEAK_EXPLAINED = 0.02


def explained_share(spectra: ClipSpectra) -> float:
    """Power share of the capture that the DI explains, cross-validated.

    Parameters
    ----------
    spectra : ClipSpectra
        Spectra over all clips.

    Returns
    -------
    float
        At most 1, near 0 or slightly below for unrelated sounds. Every octave
        between 80 Hz and 8 kHz counts alike.
    """
    freq = spectra.freq_hz
    inside = (freq >= EXPLAINED_FROM_HZ) & (freq <= EXPLAINED_TO_HZ)
    pitch = inside / np.maximum(freq, 1.0)
    scores = []
    count = spectra.start_frames.size
    odd = np.arange(count) % 2 == 1
    for fit, test in ((odd, ~odd), (~odd, odd)):
        if not fit.any() or not test.any():
            return 0.0
        power = spectra.power_di[fit].sum(axis=0, dtype=np.float64)
        theirs = spectra.power_capture[fit].sum(axis=0, dtype=np.float64)
        cross = spectra.cross[fit].sum(axis=0, dtype=np.complex128)
        share = spectra.frames * int(fit.sum()) // count
        shrunk = debiased_coherence(power, theirs, cross, share)
        filt = shrunk * cross / (power + 1e-30)
        new = spectra.cross[test].sum(axis=0, dtype=np.complex128)
        gain = 2.0 * (filt.conj() * new).real
        gain -= np.abs(filt) ** 2 * spectra.power_di[test].sum(axis=0)
        whole = spectra.power_capture[test].sum(axis=0, dtype=np.float64)
        scores.append(float((pitch * gain / (whole + 1e-30)).sum() / pitch.sum()))
    return float(np.mean(scores))


def clip_delays(
    spectra: ClipSpectra, band: Band
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Delay of each clip against all the others.

    Parameters
    ----------
    spectra : ClipSpectra
        Spectra over all clips.
    band : Band
        The usable band.

    Returns
    -------
    tuple[NDArray[np.float64], NDArray[np.float64]]
        Delay in samples relative to the lag taken out of each clip, positive
        = later, and agreement 0 to 1; both of shape (clips,).
    """
    freq = spectra.freq_hz
    nfft = spectra.nfft
    weight = band_weight(spectra.coherence(), freq, band)
    cross = spectra.cross
    rest = cross.sum(axis=0, dtype=np.complex128) - cross
    phasor = cross / (np.abs(cross) + 1e-30) * np.conj(rest) / (np.abs(rest) + 1e-30)
    curves = scipy.fft.irfft(weight * phasor, nfft)
    curves *= 0.5 * nfft / (weight.sum() + 1e-30)
    top = np.argmax(curves, axis=1)
    rows = np.arange(top.size)
    before, here = curves[rows, top - 1], curves[rows, top]
    after = curves[rows, (top + 1) % nfft]
    bend = np.minimum(before - 2.0 * here + after, -1e-30)
    place = top + np.clip(0.5 * (before - after) / bend, -0.5, 0.5)
    return np.where(place > nfft / 2, place - nfft, place), here


def window_vote(delays_samples: NDArray[np.float64], sample_rate_hz: float) -> float:
    """Share of clips whose own delay agrees with the whole.

    Parameters
    ----------
    delays_samples : NDArray[np.float64]
        Delay of each clip against the others.
    sample_rate_hz : float
        Sampling rate in Hz.

    Returns
    -------
    float
        0 to 1; unrelated sounds reach about 0.01.
    """
    near = np.abs(delays_samples) <= AGREE_S * sample_rate_hz
    return float(near.mean())


def judge(explained: float, vote: float) -> Verdict:
    """Decide whether the capture is a recording of this DI.

    Parameters
    ----------
    explained : float
        Cross-validated explained share.
    vote : float
        Share of agreeing clips.

    Returns
    -------
    Verdict
        "match", "weak" or "other".
    """
    if explained >= MATCH_EXPLAINED and vote >= MATCH_VOTE:
        return "match"
    return "weak" if explained >= WEAK_EXPLAINED and vote >= MATCH_VOTE else "other"
