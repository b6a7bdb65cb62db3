"""One capture against one DI: all steps in order."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.latency.coarse import Choice, choose, search
from pipeline.dsp.latency.front_end import driven_frames, fit_front_end
from pipeline.dsp.latency.excess import ExcessDelay, excess_delay
from pipeline.dsp.latency.minimum_phase import Band, measure_colour, usable_band
from pipeline.dsp.latency.reference import DiReference
from pipeline.dsp.latency.results import (
    CaptureSource,
    ExpectedLag,
    FrontEnd,
    LagPoint,
    LatencyEstimate,
)
from pipeline.dsp.latency.spectra import ClipSpectra, clip_spectra, linear_frames
from pipeline.dsp.latency.verdict import (
    clip_delays,
    explained_share,
    judge,
    window_vote,
)

ROUNDS = 3
CLEAR_SIGN = 0.42
ONE_PATH = 0.87
SHORT_S = 12.0
FEW_CLIPS = 6
SERVES = 0.8
WORTH_A_FIT = 0.02
FAR_ENOUGH_HZ = 10000.0


@dataclass(frozen=True, slots=True)
class Fine:
    """Outcome of the fine analysis with one front end.

    Attributes
    ----------
    spectra : ClipSpectra
        Aligned spectra.
    band : Band
        Usable band.
    excess : ExcessDelay
        Remaining excess delay.
    lag_samples : float
        Lag that includes it.
    explained : float
        Cross-validated explained share.
    """

    spectra: ClipSpectra
    band: Band
    excess: ExcessDelay
    lag_samples: float
    explained: float


def nothing_found(doubt: str) -> LatencyEstimate:
    """Estimate for a capture in which nothing of the DI can be found.

    Parameters
    ----------
    doubt : str
        Why.

    Returns
    -------
    LatencyEstimate
        Verdict "other", confidence 0.
    """
    return LatencyEstimate(
        samples=0.0,
        polarity=None,
        confidence=0.0,
        verdict="other",
        explained_share=0.0,
        window_vote=0.0,
        phase_agreement=0.0,
        polarity_ratio=1.0,
        rival_ratio=1.0,
        usable_to_hz=0.0,
        doubts=(doubt,),
    )


def _fine(
    reference: DiReference,
    capture: CaptureSource,
    source: NDArray[np.complex64],
    lag_samples: float,
) -> Fine | None:
    """Excess delay, realigned until the rest is small."""
    lag, fine = lag_samples, None
    for _ in range(ROUNDS):
        taken = np.full(reference.starts.size, float(np.rint(lag)))
        spectra = clip_spectra(reference, capture, source, taken)
        if spectra is None:
            return None
        band = usable_band(measure_colour(spectra))
        if band is None:
            return None
        excess = excess_delay(spectra, band)
        lag = float(taken[0]) + excess.delay_samples
        fine = Fine(spectra, band, excess, lag, 0.0)
        if abs(excess.delay_samples) < reference.grid.nfft / 256:
            break
    if fine is None:
        return None
    explained = explained_share(fine.spectra)
    return Fine(fine.spectra, fine.band, fine.excess, fine.lag_samples, explained)


def _with_front_end(
    reference: DiReference,
    capture: CaptureSource,
    lag_samples: float,
    front_end: FrontEnd | None,
) -> tuple[Fine | None, FrontEnd | None]:
    """Fine analysis through the given front end, a fitted one, or none."""
    if front_end is not None:
        fine = _fine(
            reference, capture, driven_frames(reference, front_end), lag_samples
        )
        if fine and fine.explained >= SERVES * front_end.explained_share:
            return fine, front_end
    plain = _fine(reference, capture, linear_frames(reference), lag_samples)
    if plain is None or plain.explained < WORTH_A_FIT:
        return plain, None
    if plain.band.high_hz >= FAR_ENOUGH_HZ:
        return plain, None
    fitted = fit_front_end(reference, capture, plain.lag_samples)
    fine = _fine(
        reference, capture, driven_frames(reference, fitted), plain.lag_samples
    )
    if fine is None or fine.explained < plain.explained:
        return plain, None
    return fine, replace(fitted, explained_share=fine.explained)


def _confidence(fine: Fine, vote: float, choice: Choice) -> float:
    """How sure the lag is, 0 to 1."""
    agree = np.clip((fine.excess.agreement - 0.5) / 0.42, 0.0, 1.0)
    explained = np.clip(fine.explained / 0.2, 0.0, 1.0)
    sure = np.clip((vote - 0.2) / 0.6, 0.0, 1.0)
    rival = 0.4 if choice.ambiguous else 1.0
    return float(np.sqrt(agree) * explained**0.25 * sure**0.25 * rival)


def _doubts(
    reference: DiReference, fine: Fine, choice: Choice, verdict: str
) -> tuple[str, ...]:
    """Plain words for what speaks against the estimate."""
    seconds = fine.spectra.start_frames.size * reference.grid.clip
    cases = {
        "ambiguous": choice.ambiguous,
        "echo": choice.echo,
        "second_path": verdict == "match" and fine.excess.agreement < ONE_PATH,
        "weak_match": verdict == "weak",
        "short": seconds < SHORT_S * reference.sample_rate_hz / 2
        or fine.spectra.start_frames.size < FEW_CLIPS,
    }
    return tuple(word for word, true in cases.items() if true)


def estimate_latency(
    reference: DiReference,
    capture: CaptureSource,
    *,
    front_end: FrontEnd | None = None,
    expected: ExpectedLag | None = None,
) -> LatencyEstimate:
    """Find when a capture happened against its DI.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    capture : CaptureSource
        The capture, at the DI's rate.
    front_end : FrontEnd or None
        Front end of the set-up, if it is known from another capture.
    expected : ExpectedLag or None
        Range in which a plausible arrival is preferred.

    Returns
    -------
    LatencyEstimate
        Verdict "other" and confidence 0 for silence or another performance.
    """
    found = search(reference, capture)
    if not found.arrivals or found.background <= 0.0:
        return nothing_found("silent")
    choice = choose(reference, found, expected)
    fine, front_end = _with_front_end(reference, capture, choice.lag_samples, front_end)
    if fine is None:
        return nothing_found("unrelated")
    delays, agreements = clip_delays(fine.spectra, fine.band)
    vote = window_vote(delays, reference.sample_rate_hz)
    verdict = judge(fine.explained, vote)
    excess = fine.excess
    half_clip = reference.grid.clip / 2
    track = tuple(
        LagPoint(
            float((start + half_clip) / reference.sample_rate_hz),
            float(fine.lag_samples + delay),
            float(np.clip(agreement, 0.0, 1.0)),
        )
        for start, delay, agreement in zip(
            fine.spectra.start_frames, delays, agreements, strict=True
        )
    )
    return LatencyEstimate(
        samples=fine.lag_samples,
        polarity=excess.sign if excess.opposite_ratio <= CLEAR_SIGN else None,
        confidence=0.0 if verdict == "other" else _confidence(fine, vote, choice),
        verdict=verdict,
        explained_share=fine.explained,
        window_vote=vote,
        phase_agreement=float(np.clip(excess.agreement, 0.0, 1.0)),
        polarity_ratio=excess.opposite_ratio,
        rival_ratio=choice.rival_ratio,
        usable_to_hz=fine.band.high_hz,
        lag_track=track,
        doubts=_doubts(reference, fine, choice, verdict),
        front_end=front_end,
    )
