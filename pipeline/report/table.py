"""Record to view: the table of captures, alike ones folded behind their head."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.models.metrics import METRICS
from pipeline.models.record import Capture, Record
from pipeline.report import places, text, titles
from pipeline.report.names import Name


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table of captures.

    A capture that cannot be told apart from others heads their group (`twins`) or is
    folded away under its head (`head`).
    """

    name: Name
    status: str
    status_word: str
    place: str
    pass_id: str
    setup: str
    mic: str
    cells: tuple[str, ...]
    twins: tuple[Name, ...] = ()
    head: Name | None = None


@dataclass(frozen=True, slots=True)
class Column:
    """Head of a numeric column; `kind` is the set that it is shown with."""

    label: str
    unit: str
    hint: str
    kind: str


FIXED = 5
"""Columns that are always shown: who, state, place, microphone, set-up."""
WORDS = "words"
KINDS = (
    ("tone", "Tone"),
    ("touch", "Saturation and dynamics"),
    ("level", "Timing, level and noise"),
)
"""Sets of columns that fit a screen side by side."""
_KIND_OF = {
    **dict.fromkeys(
        (
            "brightness_hz",
            "tilt_db_per_octave",
            "body_db",
            "mud_db",
            "presence_db",
            "fizz_db",
        ),
        "tone",
    ),
    **dict.fromkeys(("noise_dbfs", "hum_db"), "level"),
}
COLUMNS = (
    Column("Latency", "ms", "How late it was before it was aligned", "level"),
    Column("Loudness", "LUFS", "Integrated, after the one gain, EBU R 128", "level"),
    Column("Gain", "dB", "The one gain that levelled it", "level"),
    *(
        Column(
            m.label,
            m.unit,
            f"{m.definition}. Higher: {m.rising}.",
            _KIND_OF.get(m.key, "touch"),
        )
        for m in METRICS
    ),
)


def hiding() -> tuple[tuple[str, tuple[int, ...]], ...]:
    """Columns that each set leaves out.

    Returns
    -------
    tuple of (str, tuple of int)
        The set, and places from 1, as style sheets count; the sentence is the last
        column and stands in its own set alone.
    """
    first = FIXED + 1
    kinds = {first + k: column.kind for k, column in enumerate(COLUMNS)}
    kinds |= {first + len(COLUMNS): "level", first + len(COLUMNS) + 1: WORDS}
    shown = {kind: {kind} for kind, _ in KINDS} | {"all": {key for key, _ in KINDS}}
    return tuple(
        (name, tuple(at for at, kind in kinds.items() if kind not in keep))
        for name, keep in {**shown, WORDS: {WORDS}}.items()
    )


def _cells(capture: Capture) -> tuple[str, ...]:
    """Figures without their units, which stand in the columns' heads."""
    loudness = capture.loudness
    lufs = loudness.lufs if loudness else None
    gain = loudness.gain_db if loudness else None
    return (
        text.number(capture.late_ms, 2),
        text.number(lufs, 1),
        text.ABSENT if gain is None else text.signed(gain, 1),
        *(text.number(capture.metrics.get(m.key), m.digits) for m in METRICS),
    )


def _heads(record: Record) -> dict[str, tuple[str, ...]]:
    """Who stands for each group of alike captures, and for whom."""
    # A listed capture, else the reference, else one that is fine and no repetition.
    listed = {choice.id for choice in record.shortlist}
    captures = {capture.id: capture for capture in record.captures}

    def rank(key: str) -> tuple[bool, bool, bool, bool]:
        capture = captures[key]
        return (
            key not in listed,
            key != record.comparison.reference,
            capture.status != "ok",
            capture.control,
        )

    heads = {}
    for group in record.comparison.groups:
        known = [key for key in group if key in captures]
        if len(known) > 1:
            head = min(known, key=rank)
            heads[head] = tuple(key for key in known if key != head)
    return heads


def rows(record: Record, names: Mapping[str, Name]) -> tuple[Row, ...]:
    """List the captures for the table.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    tuple of Row
        One a capture, in the record's order, but alike ones behind their head.
    """
    heads = _heads(record)
    head_of = {twin: names[head] for head, twins in heads.items() for twin in twins}
    captures = {capture.id: capture for capture in record.captures}
    order = [
        key
        for capture in record.captures
        if capture.id not in head_of
        for key in (capture.id, *heads.get(capture.id, ()))
    ]
    return tuple(
        Row(
            name=names[capture.id],
            status=capture.status,
            status_word=titles.STATUS_WORDS[capture.status],
            place=places.short_place(capture.place) or text.ABSENT,
            pass_id=capture.pass_id,
            setup=capture.setup or text.ABSENT,
            mic=capture.mic or text.ABSENT,
            cells=_cells(capture),
            twins=tuple(names[key] for key in heads.get(capture.id, ())),
            head=head_of.get(capture.id),
        )
        for capture in (captures[key] for key in order)
    )


def folding(rows_: Sequence[Row], floor_db: float | None) -> str | None:
    """Say how many choices there really are.

    Parameters
    ----------
    rows_ : sequence of Row
        The table.
    floor_db : float or None
        The night's floor.

    Returns
    -------
    str or None
        None when every capture can be told apart, or nobody knows.
    """
    twins = sum(row.head is not None for row in rows_)
    if not twins or floor_db is None:
        return None
    usable = sum(row.status != "rejected" for row in rows_)
    return (
        f"Fold what cannot be told apart tonight (spectra within "
        f"{text.number(floor_db, 2, 'dB')}): {usable} usable captures become "
        f"{usable - twins} choices"
    )
