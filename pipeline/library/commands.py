"""`reamps library`: a shell around one call each of the modules beside it.

What a command needs is imported inside it, so that help comes at once. A file can be
measured only if whoever mounts the commands hands over a function for it.
"""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from pipeline import interruption
from pipeline.library.finding_commands import compare, find, judgements, show, similar
from pipeline.library.heard import Measure
from pipeline.library.making_commands import map_page, pack
from pipeline.library.options import (
    DEFAULT,
    As,
    Root,
    Shape,
    Tools,
    answer,
    opened,
    say,
    storable,
)
from pipeline.library.tables import counted

HELP = """Keep the tones of many nights: find, compare and hand them over.

A library is a folder with one catalogue; `add` makes it. Audio stays where it lies
unless you say --copy. Every command takes --library DIR; or set REAMPS_LIBRARY once.

Start with:  reamps library add reports/first-night

Then try:  reamps library find ribbon --where "distance_mm < 50"
"""


def add(
    folders: Annotated[
        list[Path],
        typer.Argument(metavar="DIR...", help="Folders that `reamps run` wrote."),
    ],
    copy: Annotated[
        bool, typer.Option("--copy", help="Copy the audio into the library too.")
    ] = False,
    library: Root = DEFAULT,
) -> None:
    """Add sessions, or bring them up to date after another run.

    Prints the number of each session. Every capture and every blend of it is a tone,
    which keeps its number when its session is run and added again. Your folders are
    only read. A library that is not there yet is made.
    """
    from pipeline.library.catalogue import FILE_NAME, Catalogue
    from pipeline.library.records import read_text

    new = not os.path.lexists(library / FILE_NAME)
    if new:
        for folder in folders:
            # A mistyped folder must not leave an empty library behind.
            read_text(folder / "record.json")
    with Catalogue(library) as catalogue:
        if new:
            say(f"a new library: {library}")
        for folder in folders:
            done = catalogue.add(folder, copy=copy)
            say(f"{folder}: {done.outcome}, {counted(done.tones, 'tone')}")
            typer.echo(str(done.number))


def list_sessions(shape: As = Shape.TABLE, library: Root = DEFAULT) -> None:
    """List the sessions of the library."""
    from pipeline.library.listing import SESSION_COLUMNS, sessions

    with opened(library) as catalogue:
        rows = sessions(catalogue.db)
    answer(SESSION_COLUMNS, rows, shape)
    if not rows:
        say("no sessions yet: `reamps library add DIR` takes one in")


def remove(
    session: Annotated[
        int, typer.Argument(metavar="SESSION", callback=storable, help="Its number.")
    ],
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Do not ask.")] = False,
    library: Root = DEFAULT,
) -> None:
    """Take a session out of the library.

    The run's folder stays as it is; audio that was copied in goes.
    """
    from pipeline.library.listing import session_line

    with opened(library) as catalogue:
        about = session_line(catalogue, session)
        if not yes and not _agreed(f"Take out {about}?"):
            say("Nothing was taken out.")
            raise typer.Exit(1)
        catalogue.remove(session)
    say(f"{about}: out")


def _agreed(question: str) -> bool:
    """Ask on the terminal; nobody there is no interruption, and no consent either."""
    from pipeline.library.refusals import QueryError

    try:
        return typer.confirm(question, err=True)
    except typer.Abort:
        say("")
        if interruption.seen():
            raise
        msg = "nobody answered, so nothing was taken out; to take it out say --yes."
        raise QueryError(msg) from None


def backup(
    target: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder.")],
    with_audio: Annotated[
        bool, typer.Option("--with-audio", help="Copied-in audio too.")
    ] = False,
    library: Root = DEFAULT,
) -> None:
    """Copy the catalogue and its records, while others may use them.

    The copy is a library of its own: use it with --library DIR.
    """
    from pipeline.library.catalogue import existing
    from pipeline.library.upkeep import backup as copy

    count = copy(existing(library), target, with_audio=with_audio)
    say(f"{counted(count, 'session')} copied and checked")
    typer.echo(str(target))


def check(
    repair: Annotated[
        bool,
        typer.Option("--repair", help="Build the catalogue anew from its records."),
    ] = False,
    library: Root = DEFAULT,
) -> None:
    """Check the library: file, indexes, records and audio.

    With --repair the catalogue is built anew from the records that are kept beside it;
    the old file is set aside. Numbers stay the same. Ends with 1 when anything is
    damaged or missing, audio too.
    """
    from pipeline.library import audio
    from pipeline.library.catalogue import existing
    from pipeline.library.mending import rebuild
    from pipeline.library.refusals import CatalogueError
    from pipeline.library.upkeep import check as examine

    existing(library, repair=repair)
    if repair:
        made = rebuild(library)
        for line in made.damaged:
            say(line)
        say(f"built anew: {counted(made.sessions, 'session')}")
        if made.kept_as is not None:
            say(f"the old catalogue is kept as {made.kept_as}")
    health = examine(library)
    for line in health.lines():
        say(line)
    if not health.whole:
        msg = (
            "the library is not whole; `reamps library check --repair` builds it anew."
        )
        raise CatalogueError(msg)
    if health.lost_audio:
        msg = (
            "catalogue and records are whole, but audio lies nowhere any more. "
            f"{audio.MOVED} Or connect the disk that it lies on."
        )
        raise CatalogueError(msg)
    sessions, tones = counted(health.sessions, "session"), counted(health.tones, "tone")
    typer.echo(f"{sessions}, {tones}: whole")


_COMMANDS: dict[str, Callable[..., None]] = {
    "add": add,
    "list": list_sessions,
    "find": find,
    "show": show,
    "similar": similar,
    "judgements": judgements,
    "compare": compare,
    "map": map_page,
    "pack": pack,
    "remove": remove,
    "backup": backup,
    "check": check,
}


def make_app(measure: Measure | None = None) -> typer.Typer:
    """Make the commands.

    Parameters
    ----------
    measure : Measure, optional
        Measures any audio file, for `similar --to`.

    Returns
    -------
    typer.Typer
        To be mounted as ``library``.
    """
    made = typer.Typer(
        name="library",
        help=HELP,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode="markdown",
        context_settings={"help_option_names": ["-h", "--help"]},
    )

    def give(ctx: typer.Context) -> None:
        ctx.obj = Tools(measure)

    made.callback(help=HELP)(give)
    for name, command in _COMMANDS.items():
        made.command(name)(command)
    return made


app = make_app()
