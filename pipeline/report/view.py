"""Record to view: what the page says first, its shortlist and its table.

The views hold ready text and links; templates only place them. Nothing is measured
here.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pydantic import JsonValue

from pipeline.models.metrics import METRICS, Metric
from pipeline.models.record import Capture, DiResult, Finding, LoudnessTarget, Record
from pipeline.report import text
from pipeline.report.names import Name

SEVERITIES = ("reject", "warn", "note")


@dataclass(frozen=True, slots=True)
class Fact:
    """A label and its value; private ones are marked."""

    label: str
    value: str
    private: bool = False


@dataclass(frozen=True, slots=True)
class FindingItem:
    """One finding: whose it is (None: the session's) and what was found."""

    name: Name | None
    message: str
    fix: str | None


@dataclass(frozen=True, slots=True)
class FindingGroup:
    """Findings of one kind and weight."""

    severity: str
    title: str
    items: tuple[FindingItem, ...]
    shared_fix: str | None


@dataclass(frozen=True, slots=True)
class FindingBlock:
    """All findings of one weight."""

    severity: str
    word: str
    groups: tuple[FindingGroup, ...]


@dataclass(frozen=True, slots=True)
class Pick:
    """One entry of the shortlist."""

    name: Name
    place: str
    reason: str


@dataclass(frozen=True, slots=True)
class Cell:
    """Shown text and the value that sorting uses."""

    shown: str
    value: float | None


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
    cells: tuple[Cell, ...]
    twins: tuple[Name, ...] = ()
    head: Name | None = None


@dataclass(frozen=True, slots=True)
class Column:
    """Head of a numeric column; `kind` is the set that it is shown with."""

    label: str
    unit: str
    hint: str
    kind: str


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


def facts(table: Mapping[str, JsonValue], *, private: bool = False) -> tuple[Fact, ...]:
    """Free keys as facts; a `private` table is unfolded and marked.

    Parameters
    ----------
    table : mapping
        Free recall data.
    private : bool
        Mark all of it.

    Returns
    -------
    tuple of Fact
        In the order of the table.
    """
    found: list[Fact] = []
    for key, item in table.items():
        if key == "private" and isinstance(item, dict):
            found.extend(facts(item, private=True))
        else:
            found.append(Fact(text.label(key), text.value(item), private))
    return tuple(found)


def title(record: Record) -> str:
    """Name of the session.

    Parameters
    ----------
    record : Record
        The session.

    Returns
    -------
    str
        "Session without a name" when there is none.
    """
    name = record.session.get("name")
    return text.value(name) if name else "Session without a name"


def di_facts(di: DiResult) -> tuple[Fact, ...]:
    """List what is known about the dry recording.

    Parameters
    ----------
    di : DiResult
        The dry recording.

    Returns
    -------
    tuple of Fact
        File, length, rate and levels.
    """
    return (
        Fact("File", f"{di.file}, channel {di.channel}"),
        Fact("Length", text.clock(di.frames / di.sample_rate_hz)),
        Fact("Sample rate", text.number(di.sample_rate_hz / 1000, 1, "kHz")),
        Fact("Loudness", text.number(di.lufs, 1, "LUFS")),
        Fact("True peak", text.number(di.true_peak_dbtp, 1, "dBTP")),
    )


def level_sentence(target: LoudnessTarget) -> str:
    """Say what level all outputs share, and why.

    Parameters
    ----------
    target : LoudnessTarget
        The session's level.

    Returns
    -------
    str
        One or two sentences.
    """
    level = text.number(target.effective_target_lufs, 1, "LUFS")
    ceiling = text.number(target.max_true_peak_dbtp, 1, "dBTP")
    shared = f"Every capture plays at {level}, peaks at most {ceiling}."
    lowered = target.target_lufs - target.effective_target_lufs
    if lowered < 0.005:
        return shared
    cause = (
        f"the peaks of \N{LEFT DOUBLE QUOTATION MARK}{target.lowered_for}"
        "\N{RIGHT DOUBLE QUOTATION MARK}"
        if target.lowered_for
        else "the highest peaks"
    )
    wanted = text.number(target.target_lufs, 1, "LUFS")
    return (
        f"{shared} You asked for {wanted}; everything was lowered together by "
        f"{text.number(lowered, 1, 'dB')}, because {cause} would have gone over."
    )


def finding_item(name: Name | None, finding: Finding) -> FindingItem:
    """One finding as it is told.

    Parameters
    ----------
    name : Name or None
        Whose it is; None: the session's, or said beside it.
    finding : Finding
        What was found.

    Returns
    -------
    FindingItem
        With true minus signs.
    """
    fix = None if finding.fix is None else text.told(finding.fix)
    return FindingItem(name, text.told(finding.message), fix)


def _grouped(
    found: list[tuple[Name | None, Finding]], severity: str
) -> tuple[FindingGroup, ...]:
    by_code: dict[str, list[FindingItem]] = {}
    for name, finding in found:
        if finding.severity == severity:
            item = finding_item(name, finding)
            by_code.setdefault(finding.code, []).append(item)
    groups = []
    for code, items in by_code.items():
        fixes = {item.fix for item in items}
        shared = fixes.pop() if len(fixes) == 1 else None
        groups.append(
            FindingGroup(severity, text.finding_title(code), tuple(items), shared)
        )
    return tuple(groups)


def finding_blocks(
    record: Record, names: Mapping[str, Name]
) -> tuple[FindingBlock, ...]:
    """Everything found wrong, heaviest first.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    tuple of FindingBlock
        Only weights that occur.
    """
    found: list[tuple[Name | None, Finding]] = [(None, f) for f in record.findings]
    for capture in record.captures:
        found.extend((names[capture.id], f) for f in capture.findings)
    blocks = (
        FindingBlock(s, text.SEVERITY_WORDS[s], _grouped(found, s)) for s in SEVERITIES
    )
    return tuple(block for block in blocks if block.groups)


def shortlist(record: Record, names: Mapping[str, Name]) -> tuple[Pick, ...]:
    """List the shortlist with places and reasons.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    tuple of Pick
        In the record's order; an entry that names no capture is left out.
    """
    places = {c.id: text.place(c.place) for c in record.captures}
    return tuple(
        Pick(names[choice.id], places[choice.id], text.told(choice.reason))
        for choice in record.shortlist
        if choice.id in names
    )


def metric_cell(metric: Metric, capture: Capture) -> Cell:
    """Cell of one metric.

    Parameters
    ----------
    metric : Metric
        Row of the metrics table.
    capture : Capture
        The capture.

    Returns
    -------
    Cell
        Without its unit, which stands in the column's head.
    """
    found = capture.metrics.get(metric.key)
    return Cell(text.number(found, metric.digits), found)


def _cells(capture: Capture) -> tuple[Cell, ...]:
    late = capture.latency.ms if capture.latency else None
    loudness = capture.loudness
    lufs = loudness.lufs if loudness else None
    gain = loudness.gain_db if loudness else None
    return (
        Cell(text.number(late, 2), late),
        Cell(text.number(lufs, 1), lufs),
        Cell(text.ABSENT if gain is None else text.signed(gain, 1), gain),
        *(metric_cell(metric, capture) for metric in METRICS),
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
            status_word=text.STATUS_WORDS[capture.status],
            place=text.short_place(capture.place) or text.ABSENT,
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


def summary(record: Record) -> str:
    """One sentence on how the night went.

    Parameters
    ----------
    record : Record
        The session.

    Returns
    -------
    str
        Such as "16 captures: 14 fine, 1 usable with care, 1 left out."
    """
    count = len(record.captures)
    if count == 0:
        return "No captures."
    of = {
        status: sum(capture.status == status for capture in record.captures)
        for status in text.STATUS_WORDS
    }
    words = {"ok": "fine", "flagged": "usable with care", "rejected": "left out"}
    told = ", ".join(f"{of[s]} {word}" for s, word in words.items() if of[s])
    return f"{count} {'capture' if count == 1 else 'captures'}: {told}."
