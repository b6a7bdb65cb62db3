"""Record to view: timing and polarity of every pass, and its pairs."""

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.models.record import (
    Axes,
    Capture,
    Pair,
    Record,
    SumResult,
    Sums,
)
from pipeline.report import text
from pipeline.report.harmonics import agreement
from pipeline.report.names import Name
from pipeline.report.plots import Axis, Frame, frame, hertz_axis

SUM_SIZE = (360, 210)
SUM_LOW_HZ, SUM_HIGH_HZ = 50.0, 12500.0
SUM_FLOOR_DB = -18.0
ALL_OVER_DB = 3.0
_SUM_TICKS = tuple(
    (float(at), f"{at:+d}".replace("-", text.MINUS) if at else "0")
    for at in range(-18, 7, 6)
)
ARRANGEMENTS = (
    ("as_placed", "as they stood"),
    ("flipped", "one flipped"),
    ("aligned", "moved together"),
    ("aligned_flipped", "moved together, one flipped"),
)


@dataclass(frozen=True, slots=True)
class TimingRow:
    """Latency of one capture in words."""

    name: Name
    latency: str
    samples: str
    markers: str
    shift: str
    polarity: str
    turned: bool
    sure: str
    drift: str
    jumps: str


@dataclass(frozen=True, slots=True)
class SumRow:
    """One arrangement of a pair: what is lost and where the holes are."""

    key: str
    word: str
    loss: str
    holes: str
    path: str


@dataclass(frozen=True, slots=True)
class PairView:
    """Two microphones of one pass."""

    a: str
    b: str
    a_name: Name | None
    b_name: Name | None
    timing: str
    polarity: str
    sure: str
    advice: tuple[str, ...]
    kind: str
    sums: tuple[SumRow, ...]


@dataclass(frozen=True, slots=True)
class PassView:
    """Captures recorded at the same time."""

    id: str
    rows: tuple[TimingRow, ...]
    pairs: tuple[PairView, ...]


def sum_frame() -> Frame:
    """Frame that all pictures of sums share.

    Returns
    -------
    Frame
        Third octaves against dB.
    """
    return frame(
        SUM_SIZE,
        hertz_axis(SUM_LOW_HZ, SUM_HIGH_HZ),
        Axis(SUM_FLOOR_DB, 6.0, _SUM_TICKS, "dB"),
    )


def _timing(capture: Capture, name: Name) -> TimingRow | None:
    found = capture.latency
    if found is None:
        return None
    drift = found.drift_ppm
    return TimingRow(
        name=name,
        latency=text.number(capture.late_ms, 2, "ms"),
        samples=text.number(capture.late_samples, 2),
        markers=agreement(capture),
        shift=text.number(capture.shift_samples, 2),
        polarity=text.POLARITY_WORDS[found.polarity],
        turned=found.polarity == -1,
        sure=text.sureness(found.confidence),
        drift=text.number(drift, 1, "ppm"),
        jumps=text.listed(
            f"{text.signed(jump.samples, 0)} at {text.clock(jump.at_s)}"
            for jump in found.jumps
        )
        or "none",
    )


def cost(loss_db: float | None) -> str:
    """Word a loss.

    Parameters
    ----------
    loss_db : float or None
        Loss in dB; below zero, the two help each other.

    Returns
    -------
    str
        Such as "costs 1.2 dB", to follow "the sum"; "not known" for None.
    """
    if loss_db is None:
        return "not known"
    if abs(loss_db) < 0.05:
        return "neither helps nor costs"
    word = "costs" if loss_db > 0 else "helps by"
    return f"{word} {text.number(abs(loss_db), 1, 'dB')}"


def _sum_row(arrangement: tuple[str, str], found: SumResult, axes: Axes) -> SumRow:
    key, word = arrangement
    shown = [
        (hz, db)
        for hz, db in zip(axes.third_octave_hz, found.curve_db, strict=False)
        if SUM_LOW_HZ <= hz <= SUM_HIGH_HZ
    ]
    return SumRow(
        key=key,
        word=word,
        loss=cost(found.loss_db),
        holes=text.listed(text.hertz(hz) for hz in found.notches_hz[:4])
        or ("all over" if found.loss_db > ALL_OVER_DB else "none"),
        path=sum_frame().steps([hz for hz, _ in shown], [db for _, db in shown]),
    )


def _sum_rows(sums: Sums | None, axes: Axes | None) -> tuple[SumRow, ...]:
    if sums is None:
        return ()
    held = axes or Axes(
        third_octave_hz=(), third_octave_label=(), erb_hz=(), smooth_hz=()
    )
    return tuple(_sum_row(item, getattr(sums, item[0]), held) for item in ARRANGEMENTS)


def _pair_timing(pair: Pair, sample_rate_hz: int) -> str:
    late_ms = abs(pair.delay_samples) / sample_rate_hz * 1000
    first, second = (pair.a, pair.b) if pair.delay_samples >= 0 else (pair.b, pair.a)
    if abs(pair.delay_samples) < max(0.05, pair.uncertainty_samples):
        return "Both hear the sound at the same moment, as far as can be told."
    give = (
        f", give or take {text.number(pair.uncertainty_samples, 2)}"
        if pair.uncertainty_samples
        else ""
    )
    return (
        f"{second} hears the sound {text.number(late_ms, 3, 'ms')} after {first}: "
        f"{text.number(abs(pair.distance_mm), 0, 'mm')} of air "
        f"({text.number(abs(pair.delay_samples), 2)} samples{give})."
    )


def _pair_polarity(pair: Pair) -> str:
    if pair.polarity is None:
        return "Whether one is upside down could not be told."
    if pair.polarity == 1:
        return "Both are the same way round."
    return "One is upside down against the other."


def _pair(pair: Pair, record: Record, names: Mapping[str, Name]) -> PairView:
    return PairView(
        a=pair.a,
        b=pair.b,
        a_name=names.get(pair.a),
        b_name=names.get(pair.b),
        timing=_pair_timing(pair, record.di.sample_rate_hz),
        polarity=_pair_polarity(pair),
        sure=text.sureness(pair.confidence),
        advice=tuple(
            text.told(step) for step in pair.advice.steps or (pair.advice.message,)
        )
        if pair.advice
        else (),
        kind=pair.advice.kind if pair.advice else "none",
        sums=_sum_rows(pair.sums, record.axes),
    )


def passes(record: Record, names: Mapping[str, Name]) -> tuple[PassView, ...]:
    """Tell timing and pairs of every pass.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    tuple of PassView
        In order of first appearance; passes without any timing are left out.
    """
    timed: dict[str, list[TimingRow]] = {}
    for capture in record.captures:
        row = _timing(capture, names[capture.id])
        if row is not None:
            timed.setdefault(capture.pass_id, []).append(row)
    paired: dict[str, list[PairView]] = {}
    for pair in record.pairs:
        paired.setdefault(pair.pass_id, []).append(_pair(pair, record, names))
    order = list(dict.fromkeys([*timed, *paired]))
    return tuple(
        PassView(key, tuple(timed.get(key, ())), tuple(paired.get(key, ())))
        for key in order
    )
