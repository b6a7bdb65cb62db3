"""`reamps library`: a shell around one call each of the modules beside it.

What a command needs is imported inside it, so that help comes at once. A file can be
measured only if whoever mounts the commands hands over a function for it.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.library.heard import Measure

if TYPE_CHECKING:
    from pipeline.library.catalogue import Catalogue
    from pipeline.library.nearest import Near
    from pipeline.library.tables import Layout, Value

DEFAULT = Path.home() / "reamps-library"
HELP = """Keep the tones of many nights: find, compare and hand them over.

A library is a folder with one catalogue. Audio stays where it lies unless you say
--copy. Every command takes --library DIR; or set REAMPS_LIBRARY once.

Start with:  reamps library add reports/first-night

Then try:  reamps library find ribbon --where "distance_mm < 50"
"""


class AudioLayout(StrEnum):
    """Format of a pack's copies, 24 bit and mono both."""

    WAV = "wav"
    FLAC = "flac"


class Shape(StrEnum):
    """How a result is printed."""

    TABLE = "table"
    JSON = "json"
    CSV = "csv"


@dataclass(frozen=True, slots=True)
class Tools:
    """What the commands were given by whoever mounted them."""

    measure: Measure | None


Root = Annotated[
    Path,
    typer.Option(
        "--library",
        "-l",
        metavar="DIR",
        envvar="REAMPS_LIBRARY",
        help="Folder of the library; made at first use.",
    ),
]
Wheres = Annotated[
    list[str] | None,
    typer.Option(
        "--where",
        "-w",
        metavar="CONDITION",
        help='A condition, such as "distance_mm < 50", "mic ~ ribbon and not amp = '
        'combo", "date >= 2025-03". May be given several times; all must hold.',
    ),
]
As = Annotated[
    Shape, typer.Option("--as", case_sensitive=False, help="How to print the result.")
]
Count = Annotated[
    int, typer.Option("--count", "-n", min=1, max=1_000_000, help="At most so many.")
]
Words = Annotated[
    str,
    typer.Argument(metavar="[WORDS]", help="Words that must all occur in its texts."),
]
Number = Annotated[int, typer.Argument(metavar="NUMBER", help="Number of a capture.")]


def _open(root: Path) -> "Catalogue":
    from pipeline.library.catalogue import Catalogue

    return Catalogue(root)


def _say(text: str) -> None:
    typer.echo(text, err=True)


def _print(
    columns: tuple[str, ...], rows: "list[tuple[Value, ...]]", shape: Shape
) -> None:
    from pipeline.library.tables import laid_out

    layout: Layout = shape.value
    typer.echo(laid_out(columns, rows, layout))


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

    Prints the number of each session. A capture keeps its number when its session is
    run and added again. Your folders are only read.
    """
    with _open(library) as catalogue:
        for folder in folders:
            done = catalogue.add(folder, copy=copy)
            _say(f"{folder}: {done.outcome}, {done.captures} captures")
            typer.echo(str(done.number))


def list_sessions(shape: As = Shape.TABLE, library: Root = DEFAULT) -> None:
    """List the sessions of the library."""
    from pipeline.library.listing import SESSION_COLUMNS, sessions

    with _open(library) as catalogue:
        _print(SESSION_COLUMNS, sessions(catalogue.db), shape)


def find(
    words: Words = "",
    where: Wheres = None,
    shape: As = Shape.TABLE,
    show: Annotated[
        str | None,
        typer.Option(
            "--show", metavar="FIELDS", help="Columns, such as id,mic,hum_db,position."
        ),
    ] = None,
    sort: Annotated[
        str,
        typer.Option("--sort", metavar="FIELD", help="Sort by it; -FIELD downwards."),
    ] = "number",
    judge: Annotated[
        str | None,
        typer.Option(
            "--judge",
            "-j",
            metavar="NAME",
            help='Rank by a judgement ("cuts through", "thick", "quiet floor", your '
            "own in judgements.toml) or by a formula over metrics.",
        ),
    ] = None,
    count: Annotated[
        int | None,
        typer.Option(
            "--count", "-n", min=1, help="At most so many. [default: 50 in a table]"
        ),
    ] = None,
    library: Root = DEFAULT,
) -> None:
    """Find captures by words and conditions.

    Words are looked for in every text: session, set-up, cabinet, microphone, position,
    tags, notes and your own recall keys. A word also finds what begins with it; put
    quotes around a phrase. Conditions compare any field of the record and any recall
    key: = != < <= > >= and ~ for "contains", joined by and, or, not and brackets.

    Example: reamps library find ribbon -w "distance_mm < 50" -w "brightness_hz > 1500"
    """
    if count is None and shape is Shape.TABLE:
        count = 50
    with _open(library) as catalogue:
        if judge is not None:
            _judge(catalogue, judge, (words, tuple(where or ())), (count, shape))
            return
        from pipeline.library.find import SHOWN
        from pipeline.library.find import find as search

        columns = SHOWN if show is None else _columns(show)
        found = search(
            catalogue.db,
            words,
            tuple(where or ()),
            columns=columns,
            limit=count,
            order=sort,
        )
    _print(found.columns, list(found.rows), shape)
    _say(f"{len(found.rows)} of {found.total} captures")


def _columns(show: str) -> tuple[str, ...]:
    names = tuple(name.strip() for name in show.split(",") if name.strip())
    return ("number", *(name for name in names if name != "number"))


def _judge(
    catalogue: "Catalogue",
    name: str,
    asked: tuple[str, tuple[str, ...]],
    wanted: tuple[int | None, Shape],
) -> None:
    from pipeline.library.judgement import named, rank
    from pipeline.library.nearest import SHOWN

    judgement = named(catalogue.root, name)
    words, conditions = asked
    count, shape = wanted
    found = rank(catalogue, judgement, conditions, words=words, count=count)
    keys = judgement.formula.keys
    _say(f"{judgement.name} = {judgement.formula.text}")
    for line in (judgement.why, *judgement.formula.terms()):
        if line:
            _say(f"    {line}")
    rows = [(row.number, row.value, *row.metrics, *row.facts) for row in found]
    _print(("number", "value", *keys, *SHOWN), rows, shape)


def judgements(shape: As = Shape.TABLE, library: Root = DEFAULT) -> None:
    """List the named judgements and their formulas.

    Write your own into judgements.toml in the library's folder:

        [thick]
        formula = "body_db + 0.5 * mud_db - presence_db"
        why = "Low end against bite."
    """
    from pipeline.library.judgement import judgements as known

    rows: list[tuple[Value, ...]] = [
        (j.name, j.formula.text, "own" if j.own else "built in", j.why)
        for j in known(library).values()
    ]
    _print(("name", "formula", "from", "why"), rows, shape)


def show(
    number: Number,
    shape: Annotated[
        Shape, typer.Option("--as", case_sensitive=False, help="table, json or csv.")
    ] = Shape.TABLE,
    library: Root = DEFAULT,
) -> None:
    """Show everything that is known of one capture, private notes included."""
    from pipeline.library.listing import capture_facts

    with _open(library) as catalogue:
        _print(("field", "value"), capture_facts(catalogue, number), shape)


def remove(
    session: Annotated[int, typer.Argument(metavar="SESSION", help="Its number.")],
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Do not ask.")] = False,
    library: Root = DEFAULT,
) -> None:
    """Take a session out of the library.

    The run's folder stays as it is; audio that was copied in goes.
    """
    with _open(library) as catalogue:
        catalogue.session_digest(session)
        if not yes:
            typer.confirm(f"Take session {session} out?", abort=True, err=True)
        catalogue.remove(session)
    _say(f"session {session} is out")


def similar(
    ctx: typer.Context,
    number: Annotated[
        int | None, typer.Argument(metavar="[NUMBER]", help="Number of a capture.")
    ] = None,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to", metavar="FILE", help="Any recording, instead of a capture."
        ),
    ] = None,
    where: Wheres = None,
    count: Count = 10,
    shape: As = Shape.TABLE,
    library: Root = DEFAULT,
) -> None:
    """Find the nearest tones to a capture or to a recording.

    Captures are compared by what their rigs do: response against the DI, compression,
    saturation, and what distortion fills, so it does not matter what was played. The
    distance is in dB: sqrt(response^2 + (0.7 compression)^2 + (0.2 saturation)^2 + (0.7
    filling)^2). A recording without its DI can only be compared by its average
    spectrum, and a message says so.
    """
    from pipeline.library.nearest import SHOWN
    from pipeline.library.nearest import similar as nearest
    from pipeline.library.refusals import QueryError

    if (number is None) == (to is None):
        msg = "give either the number of a capture or --to FILE."
        raise QueryError(msg)
    conditions = tuple(where or ())
    found: list[Near]
    with _open(library) as catalogue:
        if to is not None:
            found = _near_file(catalogue, ctx, to, (count, conditions))
            parts: tuple[str, ...] = ()
        else:
            found = nearest(catalogue, number or 0, count=count, conditions=conditions)
            parts = ("response_db", "compression_db", "saturation_db", "filling_db")
    rows = [(n.number, n.distance_db, *n.parts_db, *n.facts) for n in found]
    _print(("number", "distance_db", *parts, *SHOWN), rows, shape)


def _near_file(
    catalogue: "Catalogue",
    ctx: typer.Context,
    file: Path,
    asked: tuple[int, tuple[str, ...]],
) -> "list[Near]":
    from pipeline.library.heard import CAUTION
    from pipeline.library.nearest import similar_to_heard
    from pipeline.library.refusals import QueryError

    tools = ctx.find_object(Tools)
    if tools is None or tools.measure is None:
        msg = "this installation has nothing to measure a file with."
        raise QueryError(msg)
    count, conditions = asked
    heard = tools.measure(file)
    _say(CAUTION)
    return similar_to_heard(catalogue, heard, count=count, conditions=conditions)


def pack(  # noqa: PLR0913 options of a command
    words: Words = "",
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
            "--lufs", help="Loudness of all. [default: the lowest among them]"
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
    """Pack captures for somebody else.

    Copies all that WORDS and --where find, level-matched, as WAV or FLAC of 24 bits
    with what they are written inside, and adds a contact sheet, a table, a README
    and checksums. Private fields stay out; the pack is read back before
    it counts as done. Equal captures give equal bytes.
    """
    from pipeline.library.choice import Wanted
    from pipeline.library.pack import Terms
    from pipeline.library.pack import pack as write
    from pipeline.library.refusals import PackError

    if out is None:
        msg = "say where the pack goes: -o FOLDER or -o NAME.zip."
        raise PackError(msg)
    wanted = Wanted(
        words, tuple(where or ()), names=names, target_lufs=lufs, layout=layout.value
    )
    with _open(library) as catalogue:
        done = write(catalogue, wanted, out, Terms(title, _text(licence)))
    _say(f"{done.captures} captures at {done.target_lufs:.1f} LUFS, {done.files} files")
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
    from pipeline.library.upkeep import backup as copy

    count = copy(library, target, with_audio=with_audio)
    _say(f"{count} sessions copied and checked")
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
    the old file is set aside. Numbers stay the same.
    """
    from pipeline.library.mending import rebuild
    from pipeline.library.refusals import CatalogueError
    from pipeline.library.upkeep import check as examine

    if repair:
        made = rebuild(library)
        for line in made.damaged:
            _say(line)
        _say(f"built anew: {made.sessions} sessions")
    health = examine(library)
    for kind, lines in (
        ("fault", health.faults),
        ("missing record", health.missing),
        ("unknown record", health.strays),
        ("lost audio", health.lost_audio),
    ):
        for line in lines:
            _say(f"{kind}: {line}")
    if not health.whole:
        msg = (
            "the library is not whole; `reamps library check --repair` builds it anew."
        )
        raise CatalogueError(msg)
    typer.echo(f"{health.sessions} sessions, {health.captures} captures: whole")


def compare(
    first: Annotated[int, typer.Argument(metavar="FIRST", help="Number of a session.")],
    second: Annotated[int, typer.Argument(metavar="SECOND", help="Number of another.")],
    every: Annotated[
        bool,
        typer.Option("--every", help="Changes within the night's floor too."),
    ] = False,
    shape: As = Shape.TABLE,
    library: Root = DEFAULT,
) -> None:
    """Hold two nights of the same set-ups against each other.

    Shows what changed by more than the nights' own repeatability (set-ups that were
    recorded twice on a night, control = true). Different loudness targets are
    reconciled by arithmetic; no audio is touched.
    """
    from pipeline.library.listing import CHANGE_COLUMNS, changes, set_otherwise
    from pipeline.library.nights import compare_nights

    with _open(library) as catalogue:
        found = compare_nights(catalogue.record(first), catalogue.record(second))
    _print(CHANGE_COLUMNS, changes(found, every=every), shape)
    _say(
        f"{len(found.again)} set-ups on both nights; to hear them side by side at "
        f"{found.target_lufs:.1f} LUFS turn the first by {found.gains_db[0]:+.1f} dB "
        f"and the second by {found.gains_db[1]:+.1f} dB"
    )
    for line in set_otherwise(found):
        _say(f"set otherwise: {line}")


def map_page(
    words: Words = "",
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", "-o", metavar="FILE", help="[default: map.html in the library]"
        ),
    ] = None,
    where: Wheres = None,
    library: Root = DEFAULT,
) -> None:
    """Write one page with the whole library: a map, facets, listening.

    Alike rigs lie near each other; any two metrics can be its axes. The page works from
    disk and links the audio where it lies.
    """
    from pipeline.files.atomic import replace_with
    from pipeline.library.character_map import map_data
    from pipeline.library.page import render_map

    page = (library / "map.html" if out is None else out).absolute()
    with _open(library) as catalogue:
        data = map_data(catalogue, page, words, tuple(where or ()))
    replace_with(page, render_map("Library of tones", data).encode("utf-8"))
    _say(f"{data['count']} captures")
    typer.echo(str(page))


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
        context_settings={"help_option_names": ["-h", "--help"]},
    )

    def give(ctx: typer.Context) -> None:
        ctx.obj = Tools(measure)

    made.callback(help=HELP)(give)
    for name, command in _COMMANDS.items():
        made.command(name)(command)
    return made


app = make_app()
