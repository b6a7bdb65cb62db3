"""When did this capture happen against its DI, and is it this DI at all?

Calls the estimator and says in words what it found. Positive lag: the capture is
late.
"""

from dataclasses import dataclass

from pipeline.dsp.latency import (
    CaptureSource,
    DiReference,
    ExpectedLag,
    FrontEnd,
    LatencyEstimate,
    estimate_latency,
    speed_ratio,
)
from pipeline.models.record import (
    Finding,
    Jump,
    LagPoint,
    Latency,
    Polarity,
    Severity,
)
from pipeline.units import db_from_amplitude

LOW_CONFIDENCE = 0.5
ALIKE_DB = 0.5
AUDIBLE_DRIFT_MS = 0.03
VAGUE_S = 0.02
"""Uncorrected drift over the file that stays within 1 dB to 5 kHz beside another
mic of the night (30 us, half-wave arithmetic of a two-path sum)."""
LOOP_DRIFT_PPM = 1.0
"""One interface plays and records on one clock: any slope above this is another
clock (common practice)."""

_DOUBTS: dict[str, tuple[str, Severity, str, str | None]] = {
    "ambiguous": (
        "ambiguous",
        "warn",
        "The riff repeats exactly, so more than one lag fits.",
        "Leave the first and last note of the DI in the capture.",
    ),
    "second_path": (
        "second_path",
        "warn",
        "The sound seems to arrive by two paths that could not be told apart; the lag "
        "may belong to the later one.",
        "Look for a second speaker, a strong reflection or a wet effect.",
    ),
    "echo": (
        "echo",
        "note",
        "There are several arrivals, as with an echo pedal; the earliest one that is "
        "strong enough was taken.",
        None,
    ),
    "varying": (
        "varying",
        "warn",
        "The lag wanders, as with tape or chorus; this is not drift of a clock, and "
        "it was left as it is.",
        None,
    ),
}


@dataclass(frozen=True, slots=True)
class Located:
    """A capture on the DI's time.

    Parameters
    ----------
    latency : Latency
        Its lag, polarity, drift and jumps.
    front_end : FrontEnd or None
        The amplifier's front end, for other captures of the same set-up.
    findings : tuple of Finding
        A rejection when it is not this DI.
    """

    latency: Latency
    front_end: FrontEnd | None
    findings: tuple[Finding, ...]


def locate(
    reference: DiReference,
    capture: CaptureSource,
    *,
    front_end: FrontEnd | None = None,
    expected: ExpectedLag | None = None,
) -> Located:
    """Find a capture on the DI's time.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    capture : CaptureSource
        The capture at the DI's rate.
    front_end : FrontEnd, optional
        Fitted on another capture of the same set-up.
    expected : ExpectedLag, optional
        Where the other passes of the night lie.

    Returns
    -------
    Located
        Lag and findings.
    """
    estimate = estimate_latency(
        reference, capture, front_end=front_end, expected=expected
    )
    rate = reference.sample_rate_hz
    latency = Latency(
        samples=estimate.samples,
        ms=estimate.samples / rate * 1000.0,
        polarity=_polarity(estimate),
        confidence=estimate.confidence,
        drift_ppm=estimate.drift_ppm,
        jumps=tuple(Jump(at_s=j.at_s, samples=j.samples) for j in estimate.jumps),
        explained_share=estimate.explained_share,
        window_vote=estimate.window_vote,
        track=tuple(
            LagPoint(at_s=p.at_s, samples=p.samples) for p in estimate.lag_track
        ),
    )
    if estimate.verdict == "other":
        finding = _refuse(reference, capture, estimate)
        return Located(latency, None, (finding,))
    findings = (
        *_cut_findings(latency, reference.frames, capture.frames, rate),
        *_jump_findings(estimate, rate),
        *_drift_findings(latency, reference.frames / rate),
        *_doubt_findings(estimate),
        *_path_findings(estimate, rate),
    )
    return Located(latency, estimate.front_end, findings)


def _polarity(estimate: LatencyEstimate) -> Polarity | None:
    if estimate.polarity is None:
        return None
    return 1 if estimate.polarity > 0 else -1


def drift_to_correct(drift_ppm: float | None, di_seconds: float) -> float:
    """Say how much drift is worth correcting.

    Parameters
    ----------
    drift_ppm : float or None
        As measured.
    di_seconds : float
        Length of the DI in seconds.

    Returns
    -------
    float
        The drift in parts per million; 0 where it is no other clock's, or where the
        ends of the file are less than 0.03 ms apart.
    """
    drift = drift_ppm or 0.0
    # Over a short DI one part in a million is less than the estimate's own error.
    audible = abs(drift) * di_seconds / 1000.0 > AUDIBLE_DRIFT_MS
    return drift if abs(drift) >= LOOP_DRIFT_PPM and audible else 0.0


def _refuse(
    reference: DiReference, capture: CaptureSource, estimate: LatencyEstimate
) -> Finding:
    ratio = speed_ratio(reference, capture)
    if ratio is not None:
        return Finding(
            code="wrong_sample_rate",
            severity="reject",
            message=(
                f"It is this DI, but {abs(ratio - 1):.2%} "
                f"{'faster' if ratio > 1 else 'slower'}: recorded at one sample rate "
                "and labelled as another (such as 44.1 kHz played as 48)."
            ),
            fix="Set the recorder and the session to one rate; then record again.",
        )
    return Finding(
        code="not_this_di",
        severity="reject",
        message=(
            "This is not a capture of this DI: the DI explains "
            f"{max(estimate.explained_share, 0.0):.1%} of it, and "
            f"{estimate.window_vote:.0%} of its windows agree on a lag."
        ),
        fix="Check the file, the channel and which DI was playing.",
    )


def _cut_findings(
    latency: Latency, di_frames: int, frames: int, rate: int
) -> list[Finding]:
    late_start = -latency.samples / rate
    early_end = (latency.samples + di_frames - frames) / rate
    found = []
    for missing, end in ((late_start, "begins"), (early_end, "ends")):
        if missing > 0.05:
            side = "after the DI's start" if end == "begins" else "before the DI's end"
            found.append(
                Finding(
                    code="truncated",
                    severity="warn",
                    message=f"It {end} {missing:.2f} s {side}; silence fills the gap.",
                    fix="Record the whole DI if that part matters.",
                )
            )
    return found


def _jump_findings(estimate: LatencyEstimate, rate: int) -> list[Finding]:
    return [
        Finding(
            code="jump",
            severity="warn",
            message=(
                f"At {jump.at_s:.3f} s{_give_or_take(jump.uncertainty_s)} the capture "
                f"{'gains' if jump.samples > 0 else 'loses'} "
                f"{abs(jump.samples):.0f} samples "
                f"({abs(jump.samples) / rate * 1e3:.2f} ms): a drop-out. "
                "What follows was moved back into place."
            ),
            fix="Record it again with a larger buffer.",
        )
        for jump in estimate.jumps
    ]


def _give_or_take(seconds: float) -> str:
    # In a rest nothing tells when; elsewhere the digits say it.
    return f" (give or take {seconds:.2f} s)" if seconds >= VAGUE_S else ""


def _drift_findings(latency: Latency, di_seconds: float) -> list[Finding]:
    drift = drift_to_correct(latency.drift_ppm, di_seconds)
    if not drift:
        return []
    return [
        Finding(
            code="drift",
            severity="warn",
            message=(
                f"The lag grows by {drift:+.2f} ppm, that is "
                f"{drift * di_seconds / 1e3:+.2f} ms over the DI. "
                "A one-interface loop cannot drift: another clock recorded it. "
                "It was corrected by resampling."
            ),
            fix="Lock the devices to one clock, or record on one interface.",
        )
    ]


def _path_findings(estimate: LatencyEstimate, rate: int) -> list[Finding]:
    path = estimate.second_path
    if path is None:
        return []
    level_db = db_from_amplitude(abs(path.ratio))
    loud = f"{abs(level_db):.0f} dB {'louder' if level_db > 0 else 'quieter'}"
    if abs(level_db) < ALIKE_DB:
        loud = "as loud"
    return [
        Finding(
            code="second_path",
            severity="note",
            message=(
                f"Another path arrives {path.delay_samples / rate * 1e3:.2f} ms after "
                f"the direct one and is {loud}"
                f"{', with opposite polarity' if path.ratio < 0 else ''}. "
                "The lag is the direct one's."
            ),
            fix=(
                "If the tone is hollow, look for a second speaker or a strong "
                "reflection, and move the microphone."
            ),
        )
    ]


def _doubt_findings(estimate: LatencyEstimate) -> list[Finding]:
    doubts = set(estimate.doubts)
    if estimate.varying:
        doubts.add("varying")
    found = [
        Finding(code=code, severity=severity, message=message, fix=fix)
        for doubt, (code, severity, message, fix) in _DOUBTS.items()
        if doubt in doubts
    ]
    if estimate.confidence < LOW_CONFIDENCE:
        found.append(
            Finding(
                code="low_confidence",
                severity="warn",
                message=(
                    f"The lag is uncertain (confidence {estimate.confidence:.2f}); the "
                    f"DI explains {max(estimate.explained_share, 0.0):.0%} of it."
                ),
                fix="Check by ear against the DI before you rely on its timing.",
            )
        )
    return found
