"""What faults does a capture show only beside its DI?

A gate and stand-by: the DI plays on and the capture does not. Bleed: the DI itself lies
under the amplifier. How often each speaks without reason is printed by
tests/benchmarks/faults_bench.py.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.activity import FRAME_S
from pipeline.dsp.bleed import Bleed, find_bleed
from pipeline.dsp.linearity import CrossSpectra
from pipeline.dsp.mutes import (
    STEADY_DB,
    Gate,
    Mute,
    find_gate,
    find_mute,
    level_db,
    level_range_db,
)
from pipeline.dsp.traces import highest_of
from pipeline.models.record import Evidence, EvidenceLine, Finding

Float = NDArray[np.float64]
MOST_TIMES = 6
SHOWN_S = 15.0
LOWEST_DBFS = -120.0
"""Whatever lies lower is drawn here: digital silence has no level."""
BESIDE_S = 3.0


def judge_levels(
    di_power: Float, capture_power: Float, start_s: float
) -> tuple[Finding, ...]:
    """Judge whether a capture falls silent although its DI plays.

    Parameters
    ----------
    di_power, capture_power : ndarray, shape (frames,)
        `activity.frame_power` of the aligned pair, cut to where the capture has
        samples of its own; before any gain.
    start_s : float
        Time of the first frame on the DI's time.

    Returns
    -------
    tuple of Finding
        "gate" and "muted", or empty.
    """
    gate = find_gate(di_power, capture_power)
    mute = find_mute(di_power, capture_power)
    powers = (di_power, capture_power)
    found = []
    if mute is not None:
        found.append(_muted(mute, powers, start_s))
    if gate is not None:
        found.append(_gated(gate, powers, start_s))
    return tuple(found)


def judge_steadiness(capture_power: Float) -> tuple[Finding, ...]:
    """Say of a recording that is not this DI whether anybody plays on it at all.

    Parameters
    ----------
    capture_power : ndarray, shape (frames,)
        `activity.frame_power` of the whole recording.

    Returns
    -------
    tuple of Finding
        "muted" beside the rejection, or empty.
    """
    moves_db = level_range_db(capture_power)
    if moves_db is not None and moves_db >= STEADY_DB:
        return ()
    steady = (
        "It is digital silence"
        if moves_db is None
        else f"Its level moves by {moves_db:.1f} dB only: hiss or hum"
    )
    return (
        Finding(
            code="muted",
            severity="warn",
            message=f"{steady}, and nobody plays on it.",
            fix="Look for stand-by, a muted channel, a pedal that is off, or a cable.",
        ),
    )


def judge_bleed(cross: CrossSpectra, lag_samples: float) -> tuple[Finding, ...]:
    """Judge whether the DI lies under the amplifier, earlier.

    Parameters
    ----------
    cross : CrossSpectra
        Spectra of the aligned pair.
    lag_samples : float
        Lag that was taken out of the capture; positive: it was late.

    Returns
    -------
    tuple of Finding
        "bleed", or empty.
    """
    bleed = find_bleed(cross)
    if bleed is None:
        return ()
    rate = round(2.0 * float(cross.freq_hz[-1]))
    return (_bled(bleed, lag_samples, rate),)


def _when(times_s: Sequence[float]) -> str:
    shown = ", ".join(f"{time:.2f}" for time in times_s[:MOST_TIMES])
    return f"{shown}{' ...' if len(times_s) > MOST_TIMES else ''} s"


def _levels(
    powers: tuple[Float, Float], start_s: float, span_s: tuple[float, float]
) -> tuple[EvidenceLine, EvidenceLine]:
    """Draw the levels of DI and capture over a span on the DI's time."""
    first, last = (max(0, round((at - start_s) / FRAME_S)) for at in span_s)
    lines = []
    for name, power in zip(("di", "capture"), powers, strict=True):
        level_dbfs = np.maximum(level_db(power[first:last]), LOWEST_DBFS)
        index, level = highest_of(level_dbfs)
        at_s = start_s + (first + index + 0.5) * FRAME_S
        lines.append(
            EvidenceLine(
                name=name,
                x=tuple(np.round(at_s, 3).tolist()),
                y=tuple(np.round(level, 1).tolist()),
            )
        )
    return lines[0], lines[1]


def _told(key: str, level_dbfs: float) -> dict[str, float]:
    """Leave out the level of digital silence, which has none."""
    return {} if level_dbfs < LOWEST_DBFS else {key: level_dbfs}


def _gated(gate: Gate, powers: tuple[Float, Float], start_s: float) -> Finding:
    times = [start_s + time for time in gate.times_s]
    end_s = times[0] - 1.0 + SHOWN_S
    closed = (
        "digital silence"
        if gate.closed_dbfs < LOWEST_DBFS
        else f"{gate.closed_dbfs:.0f} dBFS"
    )
    return Finding(
        code="gate",
        severity="warn",
        message=(
            f"A noise gate shut {gate.closings} times, from about "
            f"{gate.open_dbfs:.0f} dBFS to {closed}, more suddenly than the DI fell, "
            f"at {_when(times)}."
        ),
        fix="Switch the gate off: notes are cut short, and noise cannot be measured.",
        evidence=Evidence(
            lines=_levels(powers, start_s, (times[0] - 1.0, end_s)),
            marks=tuple(round(time, 3) for time in times if time <= end_s),
            numbers={
                "closings": gate.closings,
                "open_dbfs": gate.open_dbfs,
                **_told("closed_dbfs", gate.closed_dbfs),
            },
        ),
    )


def _muted(mute: Mute, powers: tuple[Float, Float], start_s: float) -> Finding:
    first, last = start_s + mute.start_s, start_s + mute.stop_s
    below = (
        "is digital silence"
        if mute.muted_dbfs < LOWEST_DBFS
        else f"lies {mute.playing_dbfs - mute.muted_dbfs:.0f} dB under its own level"
    )
    return Finding(
        code="muted",
        severity="warn",
        message=(
            f"From {first:.1f} to {last:.1f} s the DI plays and the capture {below}: "
            "stand-by, a muted channel or a loose cable."
        ),
        fix="Look at stand-by, mute and cables, and record that part again.",
        evidence=Evidence(
            lines=_levels(powers, start_s, (first - BESIDE_S, last + BESIDE_S)),
            marks=(round(first, 3), round(last, 3)),
            numbers={
                "seconds": last - first,
                "playing_dbfs": mute.playing_dbfs,
                **_told("muted_dbfs", mute.muted_dbfs),
            },
        ),
    )


def _bled(bleed: Bleed, lag_samples: float, rate: int) -> Finding:
    at_samples = lag_samples - bleed.lead_samples
    lead_ms = bleed.lead_samples / rate * 1e3
    direct = abs(at_samples) <= 0.002 * rate
    way = (
        "at no lag: the interface's direct monitoring"
        if direct
        else f"at a lag of {at_samples / rate * 1e3:.1f} ms: a send, or the player's "
        "own repetition"
    )
    return Finding(
        code="bleed",
        # A string that repeats its period makes early copies of itself, too.
        severity="warn" if direct else "note",
        message=(
            f"The dry DI lies under the amplifier, {bleed.lead_samples} samples "
            f"({lead_ms:.1f} ms) ahead of it and about "
            f"{-bleed.level_db:.0f} dB below, {way}."
        ),
        fix=(
            "Mute direct monitoring and any send from the DI's track to this input, "
            "then record again."
        ),
        evidence=Evidence(
            lines=(
                EvidenceLine(
                    name="correlation",
                    x=tuple(round(-1e3 * lead, 3) for lead in bleed.lead_s),
                    y=bleed.height_db,
                ),
            ),
            marks=(round(-lead_ms, 3),),
            numbers={
                "lead_samples": bleed.lead_samples,
                "lead_ms": lead_ms,
                "level_db": bleed.level_db,
            },
        ),
    )
