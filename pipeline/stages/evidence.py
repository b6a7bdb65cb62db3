"""What faults does a recording carry, and where can they be seen?

Calls the detectors and says in words what they found, with times and counts. Flat
tops and drop-outs are judged on the samples as they stand in the file; gate and bleed
need the DI. How often each speaks without reason is printed by
tests/benchmarks/faults_bench.py.
"""

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.bleed import Bleed, find_bleed
from pipeline.dsp.clipping import Clipping, find_clipping
from pipeline.dsp.faults import Dropout, find_dropouts
from pipeline.dsp.linearity import CrossSpectra
from pipeline.dsp.mutes import Gate, find_gate
from pipeline.models.record import Finding

FULL_SCALE_DBFS = -0.1
MOST_TIMES = 6
_KINDS = {
    "zero": ("stretch of digital silence", "stretches of digital silence"),
    "held": ("stretch of one held value", "stretches of one held value"),
    "repeated": ("repeated block", "repeated blocks"),
}


def judge_samples(
    samples_native: NDArray[np.float32], sample_rate_hz: int
) -> tuple[Finding, ...]:
    """Judge the samples of a file for flat tops and drop-outs.

    Parameters
    ----------
    samples_native : ndarray of float32, shape (frames,)
        As they stand in the file: not resampled, shifted or levelled; finite.
    sample_rate_hz : int
        Rate of the file, for the times.

    Returns
    -------
    tuple of Finding
        "clipped" and "jump"; empty for a sound file.
    """
    clipping = find_clipping(samples_native, sample_rate_hz)
    dropouts = find_dropouts(samples_native, sample_rate_hz)
    found = []
    if clipping is not None:
        found.append(_clipped(clipping))
    if dropouts:
        found.append(_dropped(dropouts, sample_rate_hz))
    return tuple(found)


def judge_gate(
    di_power: NDArray[np.float64], capture_power: NDArray[np.float64], start_s: float
) -> tuple[Finding, ...]:
    """Judge whether a noise gate was left on.

    Parameters
    ----------
    di_power, capture_power : ndarray, shape (frames,)
        `activity.frame_power` of the aligned pair, cut to where the capture has
        samples of its own.
    start_s : float
        Time of the first frame on the DI's time.

    Returns
    -------
    tuple of Finding
        "gate", or empty.
    """
    gate = find_gate(di_power, capture_power)
    return (_gated(gate, start_s),) if gate else ()


def judge_bleed(cross: CrossSpectra, lag_samples: float) -> tuple[Finding, ...]:
    """Judge whether the DI lies under the amplifier, earlier.

    Parameters
    ----------
    cross : CrossSpectra
        Spectra of the aligned pair.
    lag_samples : float
        Lag that was taken out of the capture.

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


def _clipped(clipping: Clipping) -> Finding:
    full = clipping.level_dbfs >= FULL_SCALE_DBFS
    where = "at full scale" if full else f"at {clipping.level_dbfs:.1f} dBFS"
    sides = "both polarities" if clipping.sides == 2 else "one polarity"
    tops = "1 flat top" if clipping.runs == 1 else f"{clipping.runs} flat tops"
    fix = (
        "Turn the input gain of the interface down by 6 dB and record again."
        if full
        else "Something before the recorder clipped: turn the microphone preamplifier "
        "down or use its pad, and record again."
    )
    return Finding(
        code="clipped",
        severity="warn",
        message=(
            f"{tops} {where} ({sides}, the longest {clipping.longest} "
            f"samples), first at {_when(clipping.times_s)} of the file."
        ),
        fix=fix,
    )


def _dropped(dropouts: tuple[Dropout, ...], rate: int) -> Finding:
    kinds = Counter(dropout.kind for dropout in dropouts)
    said = ", ".join(f"{n} {_KINDS[kind][n > 1]}" for kind, n in kinds.items())
    longest = max(dropout.samples for dropout in dropouts)
    return Finding(
        code="jump",
        severity="warn",
        message=(
            f"Drop-outs: {said} inside the sound (up to {longest} samples, "
            f"{longest / rate * 1e3:.1f} ms), at "
            f"{_when([dropout.at_s for dropout in dropouts])} of the file."
        ),
        fix="Record it again with a larger buffer, and close other programs.",
    )


def _gated(gate: Gate, start_s: float) -> Finding:
    times = [start_s + time for time in gate.times_s]
    return Finding(
        code="gate",
        severity="warn",
        message=(
            f"A noise gate shut {gate.closings} times, from about "
            f"{gate.open_dbfs:.0f} to {gate.closed_dbfs:.0f} dBFS while the DI still "
            f"sounded, at {_when(times)}."
        ),
        fix="Switch the gate off: notes are cut short, and noise cannot be measured.",
    )


def _bled(bleed: Bleed, lag_samples: float, rate: int) -> Finding:
    at_samples = lag_samples - bleed.lead_samples
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
            f"({bleed.lead_samples / rate * 1e3:.1f} ms) ahead of it and about "
            f"{-bleed.level_db:.0f} dB below, {way}."
        ),
        fix=(
            "Mute direct monitoring and any send from the DI's track to this input, "
            "then record again."
        ),
    )
