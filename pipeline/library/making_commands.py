"""`reamps library` map and pack: what is made of many tones."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pipeline.library.options import DEFAULT, Root, Wheres, Words, opened, say
from pipeline.library.tables import counted


class AudioLayout(StrEnum):
    """Format of a pack's copies, 24 bit and mono both."""

    WAV = "wav"
    FLAC = "flac"


def map_page(
    words: Words = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", "-o", metavar="FILE", help="(default: map.html in the library)"
        ),
    ] = None,
    where: Wheres = None,
    library: Root = DEFAULT,
) -> None:
    """Write one page with the whole library: a map, facets, listening.

    Alike rigs lie near each other; any two metrics can be its axes. The page works from
    disk and links the audio where it lies. Rejected captures are left out.
    """
    from pipeline.files.atomic import replace_with
    from pipeline.files.replacing import refuse_foreign
    from pipeline.library.audio import MOVED
    from pipeline.library.character_map import map_data
    from pipeline.library.page import MAP_KIND, render_map
    from pipeline.library.refusals import QueryError

    page = (library / "map.html" if out is None else out).absolute()
    refuse_foreign(page, MAP_KIND)
    asked = (" ".join(words or ()), tuple(where or ()))
    with opened(library) as catalogue:
        data = map_data(catalogue, page, *asked)
    if not data["count"]:
        msg = "no tone answers, so no page was written; try `reamps library find`."
        raise QueryError(msg)
    replace_with(page, render_map(_title(*asked), data).encode("utf-8"))
    say(counted(data["count"], "tone"))
    if silent := data["audio"].count(None):
        say(f"{silent} of them without audio, which lies nowhere. {MOVED}")
    typer.echo(str(page))


def _title(words: str, conditions: tuple[str, ...]) -> str:
    """Say on the page that it is not the whole library."""
    asked = "; ".join(part for part in (words, *conditions) if part)
    return f"Library of tones: {asked}" if asked else "Library of tones"


def pack(  # noqa: PLR0913 options of a command
    words: Words = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="FOLDER|ZIP", help="New folder or .zip."),
    ] = None,
    where: Wheres = None,
    names: Annotated[
        str,
        typer.Option(
            "--names",
            metavar="TEMPLATE",
            help="File names from fields of the catalogue.",
        ),
    ] = "{session}_{id}_{mic}_{position}",
    lufs: Annotated[
        float | None,
        typer.Option(
            "--lufs", help="Loudness of all. (default: the lowest among them)"
        ),
    ] = None,
    layout: Annotated[
        AudioLayout,
        typer.Option("--format", case_sensitive=False, help="Format of the copies."),
    ] = AudioLayout.WAV,
    title: Annotated[str, typer.Option("--title", help="Its head.")] = "Tones",
    licence: Annotated[
        Path | None,
        typer.Option("--licence", metavar="FILE", help="Text file with your terms."),
    ] = None,
    library: Root = DEFAULT,
) -> None:
    """Pack tones for somebody else.

    Copies all that WORDS and --where find (see `reamps library find`), level-matched,
    as WAV or FLAC of 24 bits with what they are written inside, and adds impulse
    responses that `reamps responses` wrote, a contact sheet, a table, a README and
    checksums. Private fields stay out; the pack is read back before it counts as done.
    Equal tones give equal bytes.

    Example: reamps library pack -w "mic.type = ribbon" -o ribbons.zip
    """
    from pipeline.library.choice import Wanted
    from pipeline.library.pack import Terms
    from pipeline.library.pack import pack as write
    from pipeline.library.refusals import PackError
    from pipeline.library.standing import standing, told

    if out is None:
        msg = "say where the pack goes: -o FOLDER or -o NAME.zip."
        raise PackError(msg)
    wanted = Wanted(
        " ".join(words or ()),
        tuple(where or ()),
        names=names,
        target_lufs=lufs,
        layout=layout.value,
    )
    with opened(library) as catalogue:
        done = write(catalogue, wanted, out, Terms(title, _text(licence)))
        notes = told(standing(catalogue.db, wanted.words, wanted.conditions))
    say(
        f"{counted(len(done.numbers), 'tone')} ({done.mics}) at "
        f"{done.target_lufs:.1f} LUFS, {done.files} files"
    )
    for note in notes:
        say(note)
    typer.echo(str(done.target))


def _text(path: Path | None) -> str:
    from pipeline.library.refusals import PackError

    if path is None:
        return ""
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        msg = f"{path}: the licence cannot be read as UTF-8 text ({error})."
        raise PackError(msg) from error
