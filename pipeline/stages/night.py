"""What does a capture show only beside the captures before it?

Pure functions over the record's captures in the order of the night.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from math import log2

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.spectrum import third_octave_bands
from pipeline.models.record import Capture, Evidence, EvidenceLine, Finding

LEAST_TREND = 6
TREND_DB = 1.0
TREND_P = 0.001
SWAP_BETTER_DB = 1.0
SWAP_RATIO = 2.0
SWAP_FIT_DB = 2.0
"""Thresholds are common practice without a source; tests/benchmarks/night_bench.py
prints what they cost in false alarms."""
_AXIS = third_octave_bands()


@dataclass(frozen=True, slots=True)
class Trend:
    """A slow change over the order of the captures.

    Parameters
    ----------
    captures : tuple of str
        Ids, in order.
    level_db : float
        Change of the level over the whole, dB.
    brightness_octaves : float or None
        Change of the brightness over the whole.
    p_value : float
        Chance of such an order without a trend (Kendall 1938).
    levels_lufs : tuple of float
        Level of each before gain.
    brightness_hz : tuple of float
        Brightness of each; empty where it is not known of all.
    """

    captures: tuple[str, ...]
    level_db: float
    brightness_octaves: float | None
    p_value: float
    levels_lufs: tuple[float, ...]
    brightness_hz: tuple[float, ...]


def judge_night(captures: Sequence[Capture]) -> dict[str, tuple[Finding, ...]]:
    """Judge every capture beside those before it.

    Parameters
    ----------
    captures : sequence of Capture
        In the order in which they were recorded.

    Returns
    -------
    dict of str to tuple of Finding
        By id; only captures with findings: swapped microphones, and an amplifier
        that warmed up (a note on the last capture of its row).
    """
    usable = [capture for capture in captures if capture.status != "rejected"]
    found: dict[str, tuple[Finding, ...]] = {}
    for id_, finding in (*_swaps(usable), *_trends(usable)):
        found[id_] = (*found.get(id_, ()), finding)
    return found


def _swaps(captures: Sequence[Capture]) -> list[tuple[str, Finding]]:
    """Compare the two channels of each pass with the pass before it."""
    passes: dict[str, list[Capture]] = {}
    for capture in captures:
        passes.setdefault(capture.pass_id, []).append(capture)
    rows = list(passes.values())
    found = []
    for before, after in pairwise(rows):
        for then in combinations(before, 2):
            found += _swap(then, after)
    return found


def _swap(
    then: tuple[Capture, Capture], after: Sequence[Capture]
) -> list[tuple[str, Finding]]:
    now = _same_inputs(after, then)
    if now is None:
        return []
    kept, swapped = _off_db(then, now), _off_db(then, now[::-1])
    if (
        kept is None
        or swapped is None
        or swapped > SWAP_FIT_DB
        or kept < max(swapped + SWAP_BETTER_DB, SWAP_RATIO * swapped)
    ):
        return []
    return [
        (
            one.id,
            Finding(
                code="swapped",
                severity="warn",
                message=(
                    f"It sounds like {other.id!r} of the pass before (within "
                    f"{swapped:.1f} dB a band) and unlike {same.id!r} (off by "
                    f"{kept:.1f} dB): the microphones seem to have changed inputs."
                ),
                fix="Follow both cables, and correct the channel or the mic's name.",
                evidence=_swap_evidence(
                    {"capture": one, "other": other, "same": same}, (kept, swapped)
                ),
            ),
        )
        for one, other, same in zip(now, then[::-1], then, strict=True)
    ]


def _swap_evidence(
    captures: Mapping[str, Capture], off_db: tuple[float, float]
) -> Evidence:
    """Draw the capture with both of the pass before, each about its own mean."""
    lines = []
    for name, capture in captures.items():
        levels = np.asarray(capture.curves.third_octave_db if capture.curves else ())
        hz = [band.centre_hz for band in _AXIS[: len(levels)]]
        about = levels - levels[_middle(len(levels))].mean()
        lines.append(
            EvidenceLine(
                name=name,
                x=tuple(np.round(hz, 2).tolist()),
                y=tuple(np.round(about[: len(hz)], 2).tolist()),
            )
        )
    return Evidence(
        lines=tuple(lines),
        numbers={"same_off_db": off_db[0], "other_off_db": off_db[1]},
    )


def _same_inputs(
    after: Sequence[Capture], then: tuple[Capture, Capture]
) -> tuple[Capture, Capture] | None:
    """Find the captures that claim the inputs of two earlier ones."""
    found = []
    for old in then:
        rigged = [
            new
            for new in after
            if new.setup == old.setup and _claims(new) == _claims(old)
        ]
        if len(rigged) != 1:
            return None
        found.append(rigged[0])
    return found[0], found[1]


def _claims(capture: Capture) -> tuple[str | None, int, str | None]:
    return capture.mic, capture.channel, capture.place.position


def _off_db(then: Sequence[Capture], now: Sequence[Capture]) -> float | None:
    """How far the worse of two pairings is off."""
    apart = [_difference_db(x, y) for x, y in zip(then, now, strict=True)]
    known = [value for value in apart if value is not None]
    return max(known) if len(known) == len(apart) else None


def _difference_db(a: Capture, b: Capture) -> float | None:
    """Root mean square difference of two colours from 100 Hz to 5 kHz, level apart."""
    if a.curves is None or b.curves is None:
        return None
    x, y = (np.asarray(c.curves.third_octave_db) for c in (a, b) if c.curves)
    if len(x) != len(y) or not len(x):
        return None
    apart = (x - y)[_middle(len(x))]
    return float(np.sqrt(np.mean((apart - apart.mean()) ** 2)))


def _middle(count: int) -> slice:
    """Leave out the bands in which noise and the speaker's end rule."""
    return slice(count // 5, max(count // 5 + 1, count - count // 4))


def warm_up(captures: Sequence[Capture]) -> tuple[Trend, ...]:
    """Find slow changes over the captures of one set-up.

    Parameters
    ----------
    captures : sequence of Capture
        In the order in which they were recorded.

    Returns
    -------
    tuple of Trend
        For every six or more captures of one set-up, microphone and place whose
        level before gain rises or falls steadily by 1 dB or more (Kendall's rank
        correlation, p below 0.001).
    """
    rows: dict[tuple[object, ...], list[Capture]] = {}
    for capture in captures:
        if capture.loudness and capture.loudness.source_lufs is not None:
            key = (capture.setup, capture.mic, capture.channel, capture.place)
            rows.setdefault(key, []).append(capture)
    found = (_trend(row) for row in rows.values() if len(row) >= LEAST_TREND)
    return tuple(trend for trend in found if trend is not None)


def _trend(row: Sequence[Capture]) -> Trend | None:
    levels = [c.loudness.source_lufs or 0.0 for c in row if c.loudness]
    change = _slope(np.array(levels)) * (len(row) - 1)
    if abs(change) < TREND_DB:
        return None
    rank = scipy.stats.kendalltau(np.arange(len(row)), levels)
    if not np.isfinite(rank.pvalue) or rank.pvalue >= TREND_P:
        return None
    bright = [hz for c in row if (hz := c.metrics.get("brightness_hz"))]
    known = tuple(bright) if len(bright) == len(row) else ()
    return Trend(
        captures=tuple(c.id for c in row),
        level_db=change,
        brightness_octaves=log2(known[-1] / known[0]) if known else None,
        p_value=float(rank.pvalue),
        levels_lufs=tuple(levels),
        brightness_hz=known,
    )


def _trend_evidence(trend: Trend) -> Evidence:
    """Draw the change of level, and of brightness in semitones, over the order."""
    order = tuple(float(number) for number in range(1, len(trend.captures) + 1))
    levels, bright = trend.levels_lufs, trend.brightness_hz
    changes = {"level": [level - levels[0] for level in levels]}
    if bright:
        changes["brightness"] = [12.0 * log2(hz / bright[0]) for hz in bright]
    return Evidence(
        lines=tuple(
            EvidenceLine(name=name, x=order, y=tuple(round(at, 2) for at in change))
            for name, change in changes.items()
        ),
        numbers={
            "captures": len(order),
            "level_db": trend.level_db,
            "chance": trend.p_value,
            **(
                {}
                if trend.brightness_octaves is None
                else {"brightness_semitones": 12.0 * trend.brightness_octaves}
            ),
        },
    )


def _slope(levels: NDArray[np.float64]) -> float:
    """Median of the slopes between every two (Theil 1950, Sen 1968)."""
    first, second = np.triu_indices(len(levels), 1)
    rises = levels[second] - levels[first]
    return float(np.median(rises / (second - first)))


def _trends(captures: Sequence[Capture]) -> list[tuple[str, Finding]]:
    found = []
    for trend in warm_up(captures):
        tone = (
            f", brightness by {trend.brightness_octaves:+.2f} octaves"
            if trend.brightness_octaves is not None
            else ""
        )
        finding = Finding(
            code="warming",
            severity="note",
            message=(
                f"Over {len(trend.captures)} captures of one set-up, from "
                f"{trend.captures[0]!r} on, the level changed steadily by "
                f"{trend.level_db:+.1f} dB{tone}: the amplifier was warming up, or a "
                f"knob crept (chance of that order: {trend.p_value:.1g})."
            ),
            fix="Let the amplifier warm up first, and repeat an early capture last.",
            evidence=_trend_evidence(trend),
        )
        found.append((trend.captures[-1], finding))
    return found
