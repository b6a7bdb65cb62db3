"""One capture against one DI: all steps in order."""

from dataclasses import replace

import numpy as np

from pipeline.dsp.latency.align import Aligned, align, residual_slope
from pipeline.dsp.latency.coarse import Choice, choose, search
from pipeline.dsp.latency.excess import ExcessDelay
from pipeline.dsp.latency.far_jumps import on_a_way
from pipeline.dsp.latency.front_end import driven_frames, fit_front_end
from pipeline.dsp.latency.jumps import find_jumps
from pipeline.dsp.latency.motion import Motion, still
from pipeline.dsp.latency.reference import DiReference
from pipeline.dsp.latency.results import (
    CaptureSource,
    ExpectedLag,
    FrontEnd,
    LagPoint,
    LatencyEstimate,
    Verdict,
)
from pipeline.dsp.latency.sections import find_by_sections
from pipeline.dsp.latency.spectra import clip_spectra, linear_frames
from pipeline.dsp.latency.verdict import explained_share, judge, window_vote

CLEAR_SIGN = 0.42
FULL_WAVE = 1.0
# An octave pedal leaves nothing that is linear in the DI. Any full-wave rectifier
# tells it from another performance.
OCTAVE = FrontEnd(8.0, 0.0, 30.0, 0.0, 0.0, rectified=3.0)
WORTH_AN_OCTAVE = 0.1
ONE_PATH = 0.87
SHORT_S = 12.0
FEW_CLIPS = 6
SERVES = 0.8
WORTH_A_FIT = 0.02
FAR_ENOUGH_HZ = 10000.0
LINEAR_ENOUGH = 0.95
LESS_LEFT = 0.85
CLEAR_REACH_HZ = 4500.0
MOST_SURE = 0.98
WIDER = 1.1
EARLY_SHARE = 0.35
# The strongest of many arrivals may be the DI's own repetition, and which explains the
# capture shows at a first look.
MOST_NOMINEES = 8
NOMINATING = 1.5
WORTH_A_LOOK = 0.1
ALONE = 0.3
WELL_EXPLAINED = 0.35
# Which of two paths is the direct one is a judgement about their pulses.
SECOND_PATH = 0.9
# Half width of a 95 percent interval in standard deviations.
HALF_WIDTH = 1.96
# A pole ahead of the saturation leaves hardly a trace: between none and one at
# 10 kHz the delay differs by 16 us, and two stages have two. What no filter explains
# behind the front end may lean to one side by more than a sample.
FRONT_END_S = 11e-6
UNEXPLAINED_S = 1.5 / 48000.0
UNFITTED_S = 1.5 / 48000.0
SHARP_S = 1.2 / 48000.0
ONE_ARRIVAL = 0.5
# Clips that were followed one by one explain a tenth of another performance, too, and
# leave no common delay.
DOUBTFUL_SHARE = 0.15
NO_DELAY = 0.5


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


def _with_front_end(
    reference: DiReference,
    capture: CaptureSource,
    start: Motion,
    front_end: FrontEnd | None,
) -> tuple[Aligned | None, FrontEnd | None]:
    """Align through the given front end, a fitted one, or none."""
    if front_end is not None:
        driven = driven_frames(reference, front_end)
        given = align(reference, capture, driven, start)
        if given and given.explained >= SERVES * front_end.explained_share:
            return given, front_end
    first, used = _first_look(reference, capture, start)
    if first is None or first.explained < WORTH_A_FIT:
        return first, None
    if used is None and _linear_enough(first):
        return first, None
    middles = np.asarray(reference.starts + 0.5 * reference.grid.clip, np.float64)
    fitted = fit_front_end(reference, capture, first.motion.at(middles))
    driven = driven_frames(reference, fitted)
    behind = align(reference, capture, driven, first.motion)
    if behind is None or not _better(behind, first):
        return first, used
    return behind, replace(fitted, explained_share=behind.explained)


def _first_look(
    reference: DiReference, capture: CaptureSource, start: Motion
) -> tuple[Aligned | None, FrontEnd | None]:
    """Align as if the chain were linear, or any octave pedal."""
    plain = align(reference, capture, linear_frames(reference), start)
    if plain is not None and plain.explained >= WORTH_A_FIT:
        return plain, None
    octave = align(reference, capture, driven_frames(reference, OCTAVE), start)
    if octave is None or octave.explained < WORTH_AN_OCTAVE:
        return plain, None
    return octave, replace(OCTAVE, explained_share=octave.explained)


def _linear_enough(plain: Aligned) -> bool:
    """Whether no front end can tell anything more."""
    far = plain.band.high_hz >= FAR_ENOUGH_HZ
    return far and plain.explained >= LINEAR_ENOUGH


def _better(behind: Aligned, plain: Aligned) -> bool:
    """Whether a front end earns its place: less is left, or more is usable."""
    left = (1.0 - behind.explained) / max(1.0 - plain.explained, 1e-6)
    wider = behind.band.high_hz > WIDER * plain.band.high_hz
    return left < 1.0 and (left < LESS_LEFT or wider)


def _echoes(choice: Choice, fine: Aligned) -> bool:
    """Whether a second arrival is more than a steady riff that resembles itself."""
    # What one arrival explains well has no echo.
    return choice.echo and fine.explained < ONE_ARRIVAL


def _confidence(fine: Aligned, vote: float, choice: Choice, deviation: float) -> float:
    """How sure the lag is, 0 to 1; every doubt lowers it."""
    agree = np.clip((fine.excess.agreement - 0.5) / 0.42, 0.0, 1.0)
    explained = np.clip(fine.explained / WELL_EXPLAINED, 0.0, 1.0)
    sure = np.clip((vote - 0.2) / 0.6, 0.0, 1.0)
    sign = 0.85 if fine.excess.opposite_ratio > CLEAR_SIGN else 1.0
    reach = np.clip(fine.band.high_hz / CLEAR_REACH_HZ, 0.0, 1.0)
    clips = np.clip(fine.spectra.start_frames.size / FEW_CLIPS, 0.0, 1.0)
    moving = 0.5 if fine.varying else 1.0
    rival = 0.4 if choice.ambiguous else 0.9 if _echoes(choice, fine) else 1.0
    second = SECOND_PATH if fine.second or fine.excess.agreement < ONE_PATH else 1.0
    sharp = min(1.0, SHARP_S * fine.spectra.sample_rate_hz / deviation)
    parts = np.sqrt(agree * clips * reach) * (explained * sure) ** 0.25
    return float(MOST_SURE * parts * sign * moving * rival * second * sharp)


def _deviation(fine: Aligned, used: FrontEnd | None) -> float:
    """Sum up the variances of the latency; return its deviation in samples."""
    rate = fine.spectra.sample_rate_hz
    fitted = fine.fitted
    shape = UNFITTED_S * rate if fitted is None else fitted.deviation_samples
    pole = 0.0 if used is None else FRONT_END_S * rate
    left = UNEXPLAINED_S * rate * (1.0 - float(np.clip(fine.explained, 0.0, 1.0)))
    return float(np.sqrt(shape**2 + pole**2 + left**2))


def _polarity(excess: ExcessDelay, used: FrontEnd | None) -> int | None:
    """Sign of the capture, where it has one."""
    # Turned over or not, a full-wave rectifier gives the same.
    octave = used is not None and abs(used.rectified) > FULL_WAVE
    return None if octave or excess.opposite_ratio > CLEAR_SIGN else excess.sign


def _doubts(
    reference: DiReference, fine: Aligned, choice: Choice, verdict: str
) -> tuple[str, ...]:
    """Plain words for what speaks against the estimate."""
    seconds = fine.spectra.start_frames.size * reference.grid.clip
    cases = {
        "ambiguous": choice.ambiguous,
        "echo": _echoes(choice, fine),
        "second_path": verdict == "match" and fine.excess.agreement < ONE_PATH,
        "weak_match": verdict == "weak",
        "varying": fine.varying,
        "short": seconds < SHORT_S * reference.sample_rate_hz / 2
        or fine.spectra.start_frames.size < FEW_CLIPS,
    }
    return tuple(word for word, true in cases.items() if true)


def _verdict(
    reference: DiReference, capture: CaptureSource, fine: Aligned, vote: float
) -> Verdict:
    """Judge the alignment; a doubtful one must also be found clip by clip."""
    verdict = judge(fine.explained, vote)
    doubtful = fine.explained < DOUBTFUL_SHARE or fine.excess.agreement < NO_DELAY
    if verdict == "other" or not doubtful:
        return verdict
    lags = np.full(reference.starts.size, np.median(fine.spectra.lag_samples))
    return verdict if on_a_way(reference, capture, lags) else "other"


def _convinces(fine: Aligned | None, reference: DiReference) -> bool:
    """Whether an alignment is good enough to be this DI."""
    if fine is None:
        return False
    vote = window_vote(fine.delays, reference.sample_rate_hz)
    return judge(fine.explained, vote) == "match"


def _moves(fine: Aligned | None) -> bool:
    """Whether the lag of an alignment moves."""
    if fine is None:
        return False
    return fine.varying or fine.motion.moves


def _explains_more(other: Aligned, best: Aligned, share: float) -> bool:
    """Whether another arrival explains the capture and the earlier one does not."""
    # Two arrivals that are both real leave each other unexplained.
    alone = 1.0 - other.explained < ALONE * (1.0 - best.explained)
    return alone or best.explained < share * other.explained


def _nominated(
    reference: DiReference,
    capture: CaptureSource,
    choice: Choice,
    front_end: FrontEnd | None,
) -> float | None:
    """Lag of a plausible arrival that explains far more than the chosen one."""
    source = (
        linear_frames(reference)
        if front_end is None
        else driven_frames(reference, front_end)
    )

    def explained(lag: float) -> float:
        lags = np.full(reference.starts.size, lag)
        spectra = clip_spectra(reference, capture, source, lags)
        return 0.0 if spectra is None else explained_share(spectra)

    nominees = (choice.lag_samples, *choice.plausible_samples[:MOST_NOMINEES])
    shares = {lag: explained(lag) for lag in dict.fromkeys(nominees)}
    best = max(shares, key=shares.__getitem__)
    least = max(NOMINATING * shares[choice.lag_samples], WORTH_A_LOOK)
    return best if shares[best] >= least else None


def _settled(
    reference: DiReference,
    capture: CaptureSource,
    choice: Choice,
    front_end: FrontEnd | None,
) -> tuple[Aligned | None, FrontEnd | None]:
    """Align at the arrival that explains the capture."""
    # An early arrival must explain a fair part of what the strongest does: a DI
    # that resembles itself can pretend one. Where the lag moves, or nothing
    # convinces, the DI is looked for in sections as well.
    best = _with_front_end(reference, capture, still(choice.lag_samples), front_end)
    others = []
    if choice.strongest_samples != choice.lag_samples:
        others.append((still(choice.strongest_samples), EARLY_SHARE))
    if _moves(best[0]) or (not others and not _convinces(best[0], reference)):
        motion = find_by_sections(reference, capture)
        others += [] if motion is None else [(motion, 1.0)]
    if choice.ambiguous:
        lag = _nominated(reference, capture, choice, front_end)
        others += [] if lag is None else [(still(lag), EARLY_SHARE)]
    for motion, share in others:
        other = _with_front_end(reference, capture, motion, front_end)
        if other[0] is None:
            continue
        if best[0] is None or _explains_more(other[0], best[0], share):
            best = other
    return best


def _track(reference: DiReference, fine: Aligned) -> tuple[LagPoint, ...]:
    """Lag of each clip, for a plot."""
    spectra = fine.spectra
    middles = spectra.start_frames + 0.5 * reference.grid.clip
    lags = spectra.lag_samples + fine.delays + fine.left_samples
    shares = np.clip(fine.agreements, 0.0, 1.0)
    return tuple(
        LagPoint(float(middle / reference.sample_rate_hz), float(lag), float(share))
        for middle, lag, share in zip(middles, lags, shares, strict=True)
    )


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
    found = search(reference, capture)[0]
    if not found.arrivals or found.background <= 0.0:
        return nothing_found("silent")
    choice = choose(reference, found, expected)
    fine, used = _settled(reference, capture, choice, front_end)
    if fine is None:
        return nothing_found("unrelated")
    vote = window_vote(fine.delays, reference.sample_rate_hz)
    verdict = _verdict(reference, capture, fine, vote)
    excess = fine.excess
    slope = fine.motion.slope + residual_slope(fine, reference.grid.clip)
    jumps = find_jumps(reference, capture, fine, used)
    deviation = _deviation(fine, used)
    sure = 0.0 if verdict == "other" else _confidence(fine, vote, choice, deviation)
    return LatencyEstimate(
        samples=fine.lag_samples,
        polarity=_polarity(excess, used),
        confidence=sure,
        verdict=verdict,
        explained_share=fine.explained,
        window_vote=vote,
        phase_agreement=float(np.clip(excess.agreement, 0.0, 1.0)),
        polarity_ratio=excess.opposite_ratio,
        rival_ratio=choice.rival_ratio,
        usable_to_hz=fine.band.high_hz,
        drift_ppm=None if fine.varying else slope * 1e6,
        varying=fine.varying,
        jumps=jumps,
        lag_track=_track(reference, fine),
        doubts=_doubts(reference, fine, choice, verdict),
        front_end=used,
        uncertainty_samples=HALF_WIDTH * deviation,
        second_path=fine.second,
    )
