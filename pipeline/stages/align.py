"""How far is each capture shifted, so that its first sample is the DI's first?

In pass mode all mics of a pass share one shift: what remains between them is the
distance that the person chose, and it is part of the tone. In mic mode each mic is
shifted by its own lag. Positive shift: the capture is late and moves earlier.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal

import numpy as np

from pipeline.models.record import Evidence, EvidenceLine, Finding, Latency

_TRUSTED = 0.5
"""Confidence from which a mic may speak for its pass."""
_BUFFER = 32
"""Interfaces hand samples over in multiples of this many (common practice)."""
_MOST_BUFFERED = 4096
"""A pass that lies farther off was started at another time, not buffered longer."""
_BUFFER_TOLERANCE = 4.0
"""Mics of two passes stand some millimetres apart: a sample is 7 mm at 48 kHz."""
_ALIKE = 1.5
"""Mics of one pass that a buffer moves, move alike to what a lag is certain to."""
LEAST_PASSES = 3
"""Fewer of one stand do not tell which of them moved."""


@dataclass(frozen=True, slots=True)
class Lagged:
    """What alignment needs to know of one usable capture.

    Parameters
    ----------
    id : str
        Its name.
    pass_id : str
        Its pass.
    latency : Latency
        Its lag against the DI.
    flight_samples : float
        Time of flight from the grille, as far as the manifest tells the distance.
    stand : str
        Which microphone stood where, as far as the manifest tells: lags are compared
        among captures of one stand.
    known : bool
        Whether the manifest tells it. Where it does not, a later pass may be a
        microphone that stood farther away.
    """

    id: str
    pass_id: str
    latency: Latency
    flight_samples: float = 0.0
    stand: str = ""
    known: bool = True


def decide_shifts(
    captures: Sequence[Lagged], mode: Literal["pass", "mic"]
) -> dict[str, float]:
    """Decide the shift of every capture.

    Parameters
    ----------
    captures : sequence of Lagged
        The usable captures of a session.
    mode : {"pass", "mic"}
        What is shifted together.

    Returns
    -------
    dict of str to float
        Shift in samples at the DI's rate by capture id. In pass mode it is the lag of
        the earliest mic that can be trusted: the one nearest to the speaker.
    """
    if mode == "mic":
        return {capture.id: capture.latency.samples for capture in captures}
    shifts: dict[str, float] = {}
    for members in _by_pass(captures).values():
        trusted = [c for c in members if c.latency.confidence >= _TRUSTED] or members
        shift = min(capture.latency.samples for capture in trusted)
        shifts |= {capture.id: shift for capture in members}
    return shifts


def judge_polarity(captures: Sequence[Lagged]) -> dict[str, Finding]:
    """Find the captures whose polarity is not that of the night.

    Parameters
    ----------
    captures : sequence of Lagged
        The usable captures of a session.

    Returns
    -------
    dict of str to Finding
        By capture id; empty when all known polarities agree. On a tie the inverted
        ones are named.
    """
    known = {c.id: c.latency.polarity for c in captures if c.latency.polarity}
    inverted = [id_ for id_, polarity in known.items() if polarity < 0]
    upright = [id_ for id_, polarity in known.items() if polarity > 0]
    odd, rest = (
        (inverted, upright) if len(inverted) <= len(upright) else (upright, inverted)
    )
    if not odd or not rest:
        return {}
    sign = "inverted" if odd is inverted else "upright"
    return {
        id_: Finding(
            code="polarity_differs",
            severity="warn",
            message=(
                f"Polarity is {sign} against the DI, while {len(rest)} other captures "
                "of the session are the other way round."
            ),
            fix=(
                "Before blending it with the others, flip the polarity of one of "
                "them; then look for the swapped cable, box or channel."
            ),
        )
        for id_ in odd
    }


def judge_buffer(captures: Sequence[Lagged]) -> dict[str, Finding]:
    """Find passes whose interface latency moved by a whole number of buffers.

    Parameters
    ----------
    captures : sequence of Lagged
        The usable captures of a session, in order. A recorder started by hand puts
        every pass somewhere else, so captures are compared only with those of their
        own stand, and only where most of these agree.

    Returns
    -------
    dict of str to Finding
        By capture id, for all mics of a pass that moved alike, by a multiple of 32
        samples. A lone microphone that the manifest does not tell apart may have
        stood farther away, and is not named.
    """
    moved = _moved(captures)
    found: dict[str, Finding] = {}
    for members in _by_pass(captures).values():
        compared = [c for c in members if c.id in moved]
        samples = _buffers([moved[c.id] for c in compared]) * _BUFFER
        spread = np.ptp([moved[c.id] for c in compared]) if compared else 0.0
        alike = len(compared) > 1 and spread <= _ALIKE
        if samples and (alike or any(c.known for c in compared)):
            evidence = _steps(moved, captures, compared[0])
            finding = _buffer_finding(samples, evidence)
            found |= {capture.id: finding for capture in members}
    return found


def _moved(captures: Sequence[Lagged]) -> dict[str, float]:
    """How much later each capture is than most of its stand, where most agree."""
    stands: dict[str, list[Lagged]] = {}
    for capture in captures:
        stands.setdefault(capture.stand, []).append(capture)
    moved: dict[str, float] = {}
    for stand in stands.values():
        lags = {c.id: c.latency.samples - c.flight_samples for c in stand}
        usual = median(lags.values())
        near = [lag for lag in lags.values() if abs(lag - usual) < _BUFFER / 2]
        passes = {capture.pass_id for capture in stand}
        if len(passes) >= LEAST_PASSES and 2 * len(near) > len(lags):
            moved |= {id_: lag - usual for id_, lag in lags.items()}
    return moved


def _buffers(moved: Sequence[float]) -> int:
    """How many times 32 samples all of them moved; 0 where they do not agree."""
    counts = {round(samples / _BUFFER) for samples in moved}
    if len(counts) != 1:
        return 0
    count = counts.pop()
    off = max(abs(samples - count * _BUFFER) for samples in moved)
    near = abs(count * _BUFFER) <= _MOST_BUFFERED and off <= _BUFFER_TOLERANCE
    return count if near else 0


def _steps(
    moved: Mapping[str, float], captures: Sequence[Lagged], one: Lagged
) -> Evidence:
    """Draw the lags of one stand over the order of its passes."""
    row = [c for c in captures if c.stand == one.stand and c.id in moved]
    order = [float(number) for number in range(1, len(row) + 1)]
    return Evidence(
        lines=(
            EvidenceLine(
                name="lag",
                x=tuple(order),
                y=tuple(round(moved[c.id], 2) for c in row),
            ),
        ),
        marks=(order[row.index(one)],),
        numbers={"moved_samples": moved[one.id], "compared": len(row)},
    )


def _buffer_finding(samples: int, evidence: Evidence) -> Finding:
    way = "later" if samples > 0 else "earlier"
    return Finding(
        code="buffer_change",
        severity="note",
        message=(
            f"The whole pass is about {abs(samples)} samples {way} than most of the "
            "night: a multiple of 32, as after a change of buffer size or a restart "
            "of the driver. The shift takes it out."
        ),
        fix="If everything in one pass is late by the same amount, it is the "
        "interface, not the mic.",
        evidence=evidence,
    )


def _by_pass(captures: Sequence[Lagged]) -> Mapping[str, list[Lagged]]:
    passes: dict[str, list[Lagged]] = {}
    for capture in captures:
        passes.setdefault(capture.pass_id, []).append(capture)
    return passes
