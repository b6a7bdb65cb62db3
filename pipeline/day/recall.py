"""A printed sheet from which the rig can be rebuilt: one page a set-up and pass.

Everything that the manifest says is on it, microphones are drawn, photos are put in.
Private keys are marked; `client` leaves them out.
"""

import base64
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from pydantic import JsonValue

from pipeline.day.drawing import Front, Side, draw_front, draw_side
from pipeline.errors import OutputError
from pipeline.files.atomic import replace_with
from pipeline.files.manifest import read_plan
from pipeline.files.store import RECORD_NAME, read_record
from pipeline.models.record import Capture, Place, Recalls

PHOTO_KEYS = ("photo", "photos")
PHOTO_TYPES = {
    ".jpg": "jpeg",
    ".jpeg": "jpeg",
    ".png": "png",
    ".webp": "webp",
    ".gif": "gif",
}
LARGEST_PHOTO_BYTES = 8_000_000


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


@dataclass(frozen=True, slots=True)
class Photo:
    """A picture, as a data address."""

    name: str
    data: str


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
    pages: tuple[Page, ...]


def write_recall(source: Path, output: Path, *, client: bool = False) -> int:
    """Write the recall sheet.

    Parameters
    ----------
    source : Path
        A run's folder or a manifest.
    output : Path
        The HTML file.
    client : bool
        Leave private keys out.

    Returns
    -------
    int
        Number of pages.

    Raises
    ------
    OutputError
        If the output would replace the manifest.
    """
    if output.resolve() == source.resolve():
        message = f"{output}: this is the source itself; name another file"
        raise OutputError(message)
    sheet = (
        _of_run(source, client=client)
        if source.is_dir()
        else _of_manifest(source, client=client)
    )
    environment = Environment(
        loader=PackageLoader("pipeline.day"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    text = environment.get_template("recall.html.j2").render(sheet=sheet)
    replace_with(output, text.encode("utf-8"))
    return len(sheet.pages)


def _of_run(folder: Path, *, client: bool) -> Sheet:
    record = read_record(folder)
    taken = [
        Taken(c.id, c.pass_id, c.setup, c.mic, c.place, tuple(_capture_lines(c)))
        for c in record.captures
    ]
    # Photos lie beside the manifest, which a record does not know.
    return _sheet(record.session, record.recall, taken, (folder / RECORD_NAME, client))


def _capture_lines(capture: Capture) -> Iterator[Line]:
    raw = capture.model_dump(
        mode="json",
        by_alias=True,
        include={"file", "channel", "control", "tags", "notes", "status"},
        exclude_defaults=True,
    )
    yield from lines_of(raw)
    yield from lines_of(capture.place.model_dump(mode="json", exclude_none=True))
    if capture.latency:
        yield Line("lag", f"{capture.latency.ms:.2f} ms")
    yield from lines_of(capture.private, private=True)


def _of_manifest(manifest: Path, *, client: bool) -> Sheet:
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
            )
        )
    session = plan.manifest.session.model_dump(mode="json", exclude_unset=True)
    session["di"] = plan.manifest.di.file
    return _sheet(session, plan.recalls, taken, (plan.manifest_path, client))


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
        name = f"{prefix}{key}".replace("_", " ")
        if key == "private" and isinstance(value, dict):
            yield from lines_of(value, private=True, prefix=prefix)
        elif isinstance(value, dict):
            yield from lines_of(value, private=private, prefix=f"{prefix}{key} ")
        else:
            yield Line(name, _text(value), private)


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
    beside, client = given
    groups: dict[tuple[str, str], list[Taken]] = {}
    for one in taken:
        groups.setdefault((one.setup or "", one.pass_id), []).append(one)
    pages = []
    for (setup, pass_id), members in groups.items():
        rig = recalls.setup.get(setup, {})
        name = rig.get("cabinet")
        cabinet = recalls.cabinet.get(name) if isinstance(name, str) else None
        mics = [recalls.mic.get(one.mic or "", {}) for one in members]
        places = [(one.id, one.place) for one in members]
        front = draw_front(cabinet, places)
        side = draw_side(places)
        title = f"Set-up {setup}, pass {pass_id}" if setup else f"Pass {pass_id}"
        pages.append(
            Page(
                title=title,
                rig=_shown(lines_of(rig), client=client),
                cabinet=_shown(lines_of(cabinet or {}), client=client),
                captures=tuple(
                    _entry(one, mic, client=client)
                    for one, mic in zip(members, mics, strict=True)
                ),
                front=front if front.dots or cabinet or side.mics else None,
                side=side,
                photos=tuple(_photos((rig, *mics), beside.parent, client=client)),
            )
        )
    return Sheet(
        str(session.get("name", "session")),
        _shown(lines_of(session), client=client),
        tuple(pages),
    )


def _entry(one: Taken, mic: Mapping[str, JsonValue], *, client: bool) -> Entry:
    named = [Line("microphone", one.mic)] if one.mic else []
    lines = [*named, *lines_of(mic, prefix="mic "), *one.lines]
    return Entry(one.id, _shown(lines, client=client))


def _shown(lines: Iterator[Line] | Sequence[Line], *, client: bool) -> tuple[Line, ...]:
    return tuple(line for line in lines if not (client and line.private))


def _photos(
    tables: Sequence[Mapping[str, JsonValue]], folder: Path, *, client: bool
) -> Iterator[Photo]:
    for table in tables:
        private = table.get("private")
        parts: list[Mapping[str, JsonValue]] = [table]
        if isinstance(private, dict) and not client:
            parts.append(private)
        for part in parts:
            for key in PHOTO_KEYS:
                value = part.get(key)
                for name in value if isinstance(value, list) else [value]:
                    photo = _photo(str(name), folder) if name else None
                    if photo:
                        yield photo


def _photo(name: str, folder: Path) -> Photo | None:
    path = folder / name
    kind = PHOTO_TYPES.get(path.suffix.lower())
    try:
        if kind is None or path.stat().st_size > LARGEST_PHOTO_BYTES:
            return None
        data = base64.b64encode(path.read_bytes()).decode("ascii")
    except OSError:
        return None
    return Photo(name, f"data:image/{kind};base64,{data}")
