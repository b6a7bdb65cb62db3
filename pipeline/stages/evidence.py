"""What faults do the samples of a file carry, and where can they be seen?

Calls the detectors and says in words what they found, with times and counts, and with
the points of a picture. Flat tops and drop-outs are judged on the samples as they stand
in the file. How often each speaks without reason is printed by
tests/benchmarks/faults_bench.py.
"""

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.clipping import Clipping, find_clipping
from pipeline.dsp.faults import Dropout, find_dropouts
from pipeline.dsp.traces import wave_around
from pipeline.models.record import Evidence, EvidenceLine, Finding

Samples = NDArray[np.float32]
FULL_SCALE_DBFS = -0.1
MOST_TIMES = 6
_LEAST_MARGIN = 48
_KINDS = {
    "zero": ("stretch of digital silence", "stretches of digital silence"),
    "held": ("stretch of one held value", "stretches of one held value"),
    "repeated": ("repeated block", "repeated blocks"),
}


def judge_samples(
    samples_native: Samples, sample_rate_hz: int, start_s: float = 0.0
) -> tuple[Finding, ...]:
    """Judge the samples of a file for flat tops and drop-outs.

    Parameters
    ----------
    samples_native : ndarray of float32, shape (frames,)
        As they stand in the file: not resampled, shifted or levelled; finite.
    sample_rate_hz : int
        Rate of the file, for the times.
    start_s : float
        Time of the first sample in the file.

    Returns
    -------
    tuple of Finding
        "clipped" and "jump"; empty for a sound file.
    """
    clipping = find_clipping(samples_native, sample_rate_hz)
    dropouts = find_dropouts(samples_native, sample_rate_hz)
    found = []
    if clipping is not None:
        found.append(_clipped(clipping, samples_native, (sample_rate_hz, start_s)))
    if dropouts:
        found.append(_dropped(dropouts, samples_native, (sample_rate_hz, start_s)))
    return tuple(found)


def judge_di(
    samples: Samples, sample_rate_hz: int, start_s: float = 0.0
) -> tuple[Finding, ...]:
    """Judge whether the DI itself was clipped: every capture then carries it.

    Parameters
    ----------
    samples : ndarray of float32, shape (frames,)
        The DI.
    sample_rate_hz : int
        Its rate, for the times.
    start_s : float
        Time of its first sample in its file.

    Returns
    -------
    tuple of Finding
        "clipped", or empty. Silence that an editor cut into a DI is no drop-out.
    """
    clipping = find_clipping(samples, sample_rate_hz)
    if clipping is None:
        return ()
    found = _clipped(clipping, samples, (sample_rate_hz, start_s))
    return (
        Finding(
            code=found.code,
            severity=found.severity,
            message=f"The DI itself is clipped, so all of them are: {found.message}",
            fix="Turn the instrument's input down by 6 dB and record the DI again.",
        ),
    )


def _when(times_s: Sequence[float], start_s: float) -> str:
    shown = ", ".join(f"{start_s + time:.2f}" for time in times_s[:MOST_TIMES])
    return f"{shown}{' ...' if len(times_s) > MOST_TIMES else ''} s"


def _wave(x: Samples, first: int, samples: int, rate: int) -> EvidenceLine:
    """Draw a stretch in ms from its start, with its own length on either side."""
    margin = max(_LEAST_MARGIN, samples)
    index, value = wave_around(x, first, first + samples, margin)
    return EvidenceLine(
        name="capture",
        x=tuple(np.round((index - first) / rate * 1e3, 4).tolist()),
        y=tuple(np.round(value, 7).tolist()),
    )


def _clipped(clipping: Clipping, x: Samples, clock: tuple[int, float]) -> Finding:
    rate, start_s = clock
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
            f"samples), first at {_when(clipping.times_s, start_s)} of the file."
        ),
        fix=fix,
        evidence=Evidence(
            lines=(_wave(x, clipping.longest_at, clipping.longest, rate),),
            marks=(0.0, (clipping.longest - 1) / rate * 1e3),
            numbers={
                "at_s": start_s + clipping.longest_at / rate,
                "level_dbfs": clipping.level_dbfs,
                "flat_tops": clipping.runs,
                "samples": clipping.samples,
                "longest_samples": clipping.longest,
            },
        ),
    )


def _dropped(
    dropouts: tuple[Dropout, ...], x: Samples, clock: tuple[int, float]
) -> Finding:
    rate, start_s = clock
    kinds = Counter(dropout.kind for dropout in dropouts)
    said = ", ".join(f"{n} {_KINDS[kind][n > 1]}" for kind, n in kinds.items())
    longest = max(dropout.samples for dropout in dropouts)
    times_s = [dropout.at_s for dropout in dropouts]
    # A hole is seen at once, a repetition only where nothing else is there to show.
    shown = max(dropouts, key=lambda drop: (drop.kind != "repeated", drop.samples))
    return Finding(
        code="jump",
        severity="warn",
        message=(
            f"Drop-outs: {said} inside the sound (up to {longest} samples, "
            f"{longest / rate * 1e3:.1f} ms), at {_when(times_s, start_s)} of the file."
        ),
        fix="Record it again with a larger buffer, and close other programs.",
        evidence=Evidence(
            lines=_drop_lines(shown, x, rate),
            marks=(0.0, shown.samples / rate * 1e3),
            numbers={
                "at_s": start_s + shown.at_s,
                "dropouts": len(dropouts),
                "samples_lost": sum(dropout.samples for dropout in dropouts),
                "longest_ms": longest / rate * 1e3,
            },
        ),
    )


def _drop_lines(shown: Dropout, x: Samples, rate: int) -> tuple[EvidenceLine, ...]:
    first = round(shown.at_s * rate)
    wave = _wave(x, first, shown.samples, rate)
    if shown.kind != "repeated":
        return (wave,)
    before, value = wave_around(x, first - shown.samples, first, 0)
    at_ms = (before + shown.samples - first) / rate * 1e3
    again = EvidenceLine(
        name="before",
        x=tuple(np.round(at_ms, 4).tolist()),
        y=tuple(np.round(value, 7).tolist()),
    )
    return wave, again
