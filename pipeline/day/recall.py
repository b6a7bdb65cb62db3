"""A printed sheet from which the rig can be rebuilt: one page a set-up and pass.

Everything that the manifest says is on it, microphones are drawn, photos are put in.
Private keys are marked; `client` leaves them out.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import JsonValue

from pipeline.day.drawing import Front, Side, draw_front, draw_side
from pipeline.day.photos import Photo, read_photo
from pipeline.files.atomic import replace_with
from pipeline.files.manifest import read_plan
from pipeline.files.replacing import page_kind, refuse_foreign
from pipeline.files.store import read_record
from pipeline.files.templates import open_template
from pipeline.models.record import Capture, Place, Recalls
from pipeline.report.text import label

PHOTO_KEYS = ("photo", "photos")
PAGE_KIND = page_kind("a recall sheet", "reamps recall")


@dataclass(frozen=True, slots=True)
class Line:
    """One key and its value."""

    name: str
    value: str
    private: bool = False


@dataclass(frozen=True, slots=True)
class Taken:
    """One capture, as the sheet needs it."""

    id: str
    pass_id: str
    setup: str | None
    mic: str | None
    place: Place
    lines: tuple[Line, ...]
    tables: Mapping[str, JsonValue]
    """Where its photos are named."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One capture on the page."""

    title: str
    rows: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """One set-up in one pass."""

    title: str
    rig: tuple[Line, ...]
    cabinet: tuple[Line, ...]
    captures: tuple[Entry, ...]
    front: Front | None
    side: Side | None
    photos: tuple[Photo, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """The whole sheet."""

    title: str
    session: tuple[Line, ...]
    photos: tuple[Photo, ...]
    pages: tuple[Page, ...]

    @property
    def missing(self) -> tuple[Photo, ...]:
        """Photos that cannot be shown, each once."""
        pages = (photo for page in self.pages for photo in page.photos)
        every = dict.fromkeys((*self.photos, *pages))
        return tuple(photo for photo in every if photo.data is None)


def write_recall(
    source: Path, output: Path, *, client: bool = False, photos: Path | None = None
) -> Sheet:
    """Write the recall sheet.

    Parameters
    ----------
    source : Path
        A run's folder or a manifest.
    output : Path
        The HTML file.
    client : bool
        Leave private keys out.
    photos : Path, optional
        Folder that photos are named relative to; the source's own by default.

    Returns
    -------
    Sheet
        What is on it; photos that cannot be shown say why. An `OutputError` says
        that the output would replace something else than a recall sheet.
    """
    refuse_foreign(output, PAGE_KIND)
    of = _of_run if source.is_dir() else _of_manifest
    sheet = of(source, _Given(photos, client))
    template = open_template("pipeline.day", "recall.html.j2")
    text = template.render(sheet=sheet)
    replace_with(output, text.encode("utf-8"))
    return sheet


@dataclass(frozen=True, slots=True)
class _Given:
    """What the user said."""

    photos: Path | None
    client: bool


def _of_run(folder: Path, given: _Given) -> Sheet:
    record = read_record(folder)
    taken = [
        Taken(
            c.id,
            c.pass_id,
            c.setup,
            c.mic,
            c.place,
            tuple(_capture_lines(c)),
            {"photo": c.photo, "private": c.private},
        )
        for c in record.captures
    ]
    # Photos lie beside the manifest, which a record does not know.
    beside = given.photos or folder
    return _sheet(record.session, record.recall, taken, (beside, given.client))


def _capture_lines(capture: Capture) -> Iterator[Line]:
    raw = capture.model_dump(
        mode="json",
        by_alias=True,
        include={"file", "channel", "control", "tags", "notes", "photo", "status"},
        exclude_defaults=True,
    )
    yield from lines_of(raw)
    yield from lines_of(capture.place.model_dump(mode="json", exclude_none=True))
    if capture.latency:
        yield Line("Late by", f"{capture.late_ms:.2f} ms")
    yield from lines_of(capture.private, private=True)


def _of_manifest(manifest: Path, given: _Given) -> Sheet:
    plan = read_plan(manifest)
    taken = []
    for capture in plan.captures:
        raw = capture.written.model_dump(
            mode="json",
            by_alias=True,
            exclude_unset=True,
            exclude={"id", "pass_id", "setup", "mic"},
        )
        lines = tuple(lines_of(raw))
        written = capture.written
        taken.append(
            Taken(
                capture.id,
                capture.pass_id,
                written.setup,
                written.mic,
                capture.place,
                lines,
                raw,
            )
        )
    session = plan.manifest.session.model_dump(mode="json", exclude_unset=True)
    session["DI"] = plan.manifest.di.file
    beside = given.photos or plan.manifest_path.parent
    return _sheet(session, plan.recalls, taken, (beside, given.client))


def lines_of(
    table: Mapping[str, JsonValue], *, private: bool = False, prefix: str = ""
) -> Iterator[Line]:
    """Flatten a table into lines.

    Parameters
    ----------
    table : mapping
        Keys and values of any depth.
    private : bool
        Whether all of it is private.
    prefix : str
        Put before every key.

    Yields
    ------
    Line
        One a value; a table within a table gives "amp gain", `private` marks what is
        in it.
    """
    for key, value in table.items():
        if key == "private" and isinstance(value, dict):
            yield from lines_of(value, private=True, prefix=prefix)
        elif isinstance(value, dict):
            yield from lines_of(value, private=private, prefix=f"{prefix}{key} ")
        else:
            yield Line(label(f"{prefix}{key}"), _text(value), private)


def _text(value: JsonValue) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list):
        return ", ".join(_text(item) for item in value)
    if isinstance(value, dict):
        return "; ".join(f"{key} {_text(item)}" for key, item in value.items())
    return "" if value is None else str(value)


def _sheet(
    session: Mapping[str, JsonValue],
    recalls: Recalls,
    taken: Sequence[Taken],
    given: tuple[Path, bool],
) -> Sheet:
    folder, client = given
    groups: dict[tuple[str, str], list[Taken]] = {}
    for one in taken:
        groups.setdefault((one.setup or "", one.pass_id), []).append(one)
    pages = []
    for (setup, pass_id), members in groups.items():
        rig = recalls.setup.get(setup, {})
        name = rig.get("cabinet")
        cabinet = recalls.cabinet.get(name) if isinstance(name, str) else None
        mics = {one.mic or "": recalls.mic.get(one.mic or "", {}) for one in members}
        places = [(one.id, one.place) for one in members]
        front = draw_front(cabinet, places)
        side = draw_side(places)
        named: list[tuple[str, Mapping[str, JsonValue]]] = [
            (f"Set-up {setup}", rig),
            (f"Cabinet {name}", cabinet or {}),
            *((f"Microphone {mic}", table) for mic, table in mics.items()),
            *((one.id, one.tables) for one in members),
        ]
        pages.append(
            Page(
                title=f"Set-up {setup}, pass {pass_id}" if setup else f"Pass {pass_id}",
                rig=_shown(lines_of(rig), client=client),
                cabinet=_shown(_cabinet_lines(cabinet or {}), client=client),
                captures=tuple(
                    _entry(one, mics[one.mic or ""], client=client) for one in members
                ),
                front=front if front.dots or cabinet or side.mics else None,
                side=side,
                photos=_photos(named, folder, client=client),
            )
        )
    return Sheet(
        str(session.get("name", "session")),
        _shown(
            lines_of({k: v for k, v in session.items() if k != "name"}), client=client
        ),
        _photos([("Session", session)], folder, client=client),
        tuple(pages),
    )


def _cabinet_lines(cabinet: Mapping[str, JsonValue]) -> Iterator[Line]:
    """Write a cabinet's keys, one line a speaker."""
    yield from lines_of({k: v for k, v in cabinet.items() if k != "speakers"})
    speakers = cabinet.get("speakers")
    for speaker in speakers if isinstance(speakers, list) else []:
        if isinstance(speaker, dict):
            facts = (
                f"{label(key)} {_text(value)}"
                for key, value in speaker.items()
                if key != "id"
            )
            yield Line(f"Speaker {speaker.get('id', '')}", "; ".join(facts))


def _entry(one: Taken, mic: Mapping[str, JsonValue], *, client: bool) -> Entry:
    named = [Line("Microphone", one.mic)] if one.mic else []
    lines = [*named, *lines_of(mic, prefix="mic "), *one.lines]
    return Entry(one.id, _shown(lines, client=client))


def _shown(lines: Iterator[Line] | Sequence[Line], *, client: bool) -> tuple[Line, ...]:
    return tuple(line for line in lines if not (client and line.private))


def _photos(
    named: Sequence[tuple[str, Mapping[str, JsonValue]]], folder: Path, *, client: bool
) -> tuple[Photo, ...]:
    """Read the photos that tables name, each file once."""
    found: dict[str, Photo] = {}
    for caption, table in named:
        hidden = table.get("private")
        parts = [(table, False)]
        if isinstance(hidden, dict) and not client:
            parts.append((hidden, True))
        for part, private in parts:
            for name in _photo_names(part):
                if name not in found:
                    found[name] = read_photo(folder / name, caption, private=private)
    return tuple(found.values())


def _photo_names(table: Mapping[str, JsonValue]) -> Iterator[str]:
    for key in PHOTO_KEYS:
        value = table.get(key)
        for name in value if isinstance(value, list) else [value]:
            if isinstance(name, str) and name:
                yield name
