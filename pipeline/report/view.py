"""Record to view: what the page says of the night, and its shortlist.

The views hold ready text and links; templates only place them. Nothing is measured
here.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from pydantic import JsonValue

from pipeline.models.record import DiResult, LoudnessTarget, Record
from pipeline.report import places, text, titles
from pipeline.report.names import Name


@dataclass(frozen=True, slots=True)
class Fact:
    """A label and its value; private ones are marked."""

    label: str
    value: str
    private: bool = False


@dataclass(frozen=True, slots=True)
class Listed:
    """One entry of the shortlist."""

    name: Name
    place: str
    reason: str


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


def shortlist(record: Record, names: Mapping[str, Name]) -> tuple[Listed, ...]:
    """List the shortlist with places and reasons.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    tuple of Listed
        In the record's order; an entry that names no capture is left out.
    """
    stood = {c.id: places.place(c.place) for c in record.captures}
    return tuple(
        Listed(names[choice.id], stood[choice.id], text.told(choice.reason))
        for choice in record.shortlist
        if choice.id in names
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
        for status in titles.STATUS_WORDS
    }
    words = {"ok": "fine", "flagged": "usable with care", "rejected": "left out"}
    told = ", ".join(f"{of[s]} {word}" for s, word in words.items() if of[s])
    return f"{count} {'capture' if count == 1 else 'captures'}: {told}."
