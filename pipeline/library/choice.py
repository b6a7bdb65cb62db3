"""Which captures go into a pack, under which names, and at which level?"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pipeline.files.names import unique_names
from pipeline.library import audio
from pipeline.library.catalogue import AUDIO, Catalogue
from pipeline.library.fields import known_places
from pipeline.library.find import find
from pipeline.library.refusals import PackError, QueryError
from pipeline.library.tables import plain
from pipeline.models.record import Blend, Capture, LoudnessResult, Record

DEFAULT_NAMES = "{session}_{id}_{mic}_{position}"
Layout = Literal["wav", "flac"]
IMPULSES = "impulse"
"""Folder of a pack in which impulse responses lie, if it has any."""
QUIETEST_LUFS = -70.0
"""The gate of ITU-R BS.1770: below it nothing has a loudness."""
_FIELD = re.compile(r"\{([a-z0-9_.]+)\}")
_HIDDEN = frozenset({"folder", "file", "output_file", "notes", "di_file"})
_COLUMNS = ("number", "id", "kind", "setup", "mic", "position", "distance_mm")
_TOLERANCE_DB = 0.01


@dataclass(frozen=True, slots=True)
class Chosen:
    """One capture of a pack.

    Parameters
    ----------
    number : int
        In the catalogue.
    name : str
        File name without its ending.
    session : int
        Number of its session.
    facts : dict of str to str, float or None
        What was asked for in the name, and what the sheet shows.
    source : Path
        Audio of the run.
    responses : dict of str to Path
        Impulse responses, where some exist; by rate in Hz and phase.
    sha256 : str
        Of the source, by the record.
    gain_db : float
        What brings it to the pack's level.
    layout : {"wav", "flac"}
        Format of its copy.
    item : Capture or Blend
        From the record.
    """

    number: int
    name: str
    session: int
    facts: dict[str, str | float | None]
    source: Path
    responses: dict[str, Path]
    sha256: str
    gain_db: float
    layout: Layout
    item: Capture | Blend

    @property
    def file(self) -> str:
        """Name of its audio in the pack."""
        return f"audio/{self.name}.{self.layout}"

    @property
    def impulses(self) -> dict[str, Path]:
        """Impulse responses by their names in the pack."""
        return {
            f"{IMPULSES}/{self.name}_{kind}.wav": path
            for kind, path in self.responses.items()
        }


def fields_of(template: str) -> tuple[str, ...]:
    """List the fields that a template of names holds.

    Parameters
    ----------
    template : str
        Such as ``{session}_{id}_{mic}``.

    Returns
    -------
    tuple of str
        In their order.

    Raises
    ------
    QueryError
        If a field is not known or says where your files are, or there is none.
    """
    found = tuple(dict.fromkeys(_FIELD.findall(template)))
    known = set(known_places()) - _HIDDEN
    rest = _FIELD.sub("", template)
    strays = [name for name in found if name not in known or "." in name]
    if not found or strays or "{" in rest or "}" in rest:
        columns = sorted(name for name in known if "." not in name)
        msg = (
            f"{template!r}: expected fields such as {DEFAULT_NAMES}, found "
            f"{', '.join(strays) or 'none that can be read'}. Known are: "
            f"{', '.join(columns)}."
        )
        raise QueryError(msg)
    return found


def fill_name(template: str, facts: Mapping[str, str | float | None]) -> str:
    """Fill one name in.

    Parameters
    ----------
    template : str
        Checked by `fields_of`.
    facts : mapping
        By field.

    Returns
    -------
    str
        Absent fields leave no gap; spaces become hyphens. Not yet safe as a name.
    """
    filled = ""
    parts = _FIELD.split(template)
    for between, field in zip(parts[::2], [*parts[1::2], None], strict=True):
        found = "" if field is None else _spelt(facts.get(field))
        if field is not None and not found:
            continue
        filled += between if filled else between.lstrip("_- ")
        filled += found
    return filled


def _spelt(value: str | float | None) -> str:
    text = "" if value is None else value if isinstance(value, str) else f"{value:g}"
    return "-".join(text.split())


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a pack is made of.

    Parameters
    ----------
    words : str
        All must occur.
    conditions : tuple of str
        All must hold.
    names : str
        Template of file names.
    target_lufs : float or None
        Level of the pack; None is the lowest level among the captures.
    layout : {"wav", "flac"}
        Format of the copies; impulse responses stay WAV, as convolvers want them.
    """

    words: str = ""
    conditions: tuple[str, ...] = ()
    names: str = DEFAULT_NAMES
    target_lufs: float | None = None
    layout: Layout = "wav"


@dataclass(frozen=True, slots=True)
class Selection:
    """Captures of a pack and the records they come from.

    Parameters
    ----------
    chosen : tuple of Chosen
        In the order of their numbers.
    records : dict of int to Record
        By number of the session.
    target_lufs : float
        Level of the pack.
    layout : {"wav", "flac"}
        Format of the copies.
    """

    chosen: tuple[Chosen, ...]
    records: dict[int, Record]
    target_lufs: float
    layout: Layout


def choose(catalogue: Catalogue, wanted: Wanted) -> Selection:
    """Choose what goes into a pack.

    Parameters
    ----------
    catalogue : Catalogue
        An open library.
    wanted : Wanted
        What is asked for; rejected ones and those without audio stay out.

    Returns
    -------
    Selection
        With a source for every capture.

    Raises
    ------
    PackError
        If nothing answers, audio is missing, or the level would exceed the ceiling
        of the true peak.
    """
    asked = fields_of(wanted.names)
    columns = tuple(dict.fromkeys((*_COLUMNS, "session", "date", *asked)))
    conditions = (*wanted.conditions, "output_file", "status != rejected")
    found = find(catalogue.db, wanted.words, conditions, columns=columns)
    if not found.rows:
        msg = "no tone with audio answers; try the same words with `library find`."
        raise PackError(msg)
    rows = [dict(zip(found.columns, row, strict=True)) for row in found.rows]
    names = unique_names(_distinct([fill_name(wanted.names, row) for row in rows]))
    sessions = _sessions(catalogue, [int(str(row["number"])) for row in rows])
    records = {number: catalogue.record(number) for number in set(sessions)}
    items = [
        _item(records[session], str(row["id"]))
        for session, row in zip(sessions, rows, strict=True)
    ]
    target, layout = _target(items, wanted.target_lufs), wanted.layout
    chosen = [
        _chosen(
            catalogue,
            (row, session, item),
            name,
            (records[session], target, layout),
        )
        for row, session, item, name in zip(
            rows, sessions, items, names.values(), strict=True
        )
    ]
    return Selection(tuple(chosen), records, target, layout)


def _distinct(names: Sequence[str]) -> list[str]:
    """Tell names apart that would be alike: a-1, a-2."""
    total = {name: names.count(name) for name in set(names)}
    seen: dict[str, int] = {}
    found: list[str] = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        found.append(name if total[name] == 1 else f"{name}-{seen[name]}")
    return found


def _sessions(catalogue: Catalogue, numbers: Sequence[int]) -> list[int]:
    query = "SELECT session_number FROM capture WHERE number = ?"
    rows = (catalogue.db.execute(query, (number,)).fetchone() for number in numbers)
    return [int(row[0]) for row in rows]


def _item(record: Record, name: str) -> Capture | Blend:
    found: dict[str, Capture | Blend] = {blend.id: blend for blend in record.blends}
    found |= {capture.id: capture for capture in record.captures}
    if name not in found:
        msg = f"tone {name!r} is not in its record; run `library check --repair`."
        raise PackError(msg)
    return found[name]


def _target(items: Sequence[Capture | Blend], wanted: float | None) -> float:
    known = [item.loudness.lufs for item in items if item.loudness is not None]
    levels = [level for level in known if level is not None]
    if len(levels) < len(items):
        msg = "a tone has no measured loudness, so levels cannot be matched."
        raise PackError(msg)
    if wanted is None:
        return min(levels)
    if not QUIETEST_LUFS <= wanted <= 0.0:
        msg = (
            f"expected a loudness of {QUIETEST_LUFS:g} to 0 LUFS, found {wanted:g}. "
            "Leave it out to take the lowest one."
        )
        raise PackError(msg)
    return wanted


def _gain(loudness: LoudnessResult, target: float, record: Record, name: str) -> float:
    """Gain to the pack's level; tiny ones are none, so that a copy stays a copy."""
    gain = target - (loudness.lufs if loudness.lufs is not None else target)
    if abs(gain) <= _TOLERANCE_DB:
        return 0.0
    peak, ceiling = loudness.true_peak_dbtp, record.loudness.max_true_peak_dbtp
    if gain > 0 and (peak is None or peak + gain > ceiling):
        msg = (
            f"{plain(name)}: at {target:.1f} LUFS its true peak would pass "
            f"{ceiling:.1f} dBTP. Ask for a lower level, or leave it out to take the "
            "lowest one."
        )
        raise PackError(msg)
    return gain


def _chosen(
    catalogue: Catalogue,
    about: tuple[dict[str, str | float | None], int, Capture | Blend],
    name: str,
    level: tuple[Record, float, Layout],
) -> Chosen:
    facts, session, item = about
    record, target, layout = level
    sha256 = catalogue.session_digest(session)
    folder = catalogue.db.execute(
        "SELECT folder FROM session WHERE number = ?", (session,)
    ).fetchone()[0]
    copies = catalogue.root / AUDIO
    output = item.output
    source = audio.locate(copies, folder, sha256, output.file if output else None)
    if source is None or output is None or item.loudness is None:
        msg = (
            f"tone {facts['number']:g} ({plain(item.id)}): its audio lies nowhere "
            f"any more. {audio.MOVED}"
        )
        raise PackError(msg)
    return Chosen(
        number=int(str(facts["number"]).partition(".")[0]),
        name=name,
        session=session,
        facts=facts,
        source=source,
        responses=audio.responses_of(copies, folder, sha256, item.id),
        sha256=output.sha256,
        gain_db=_gain(item.loudness, target, record, item.id),
        layout=layout,
        item=item,
    )
