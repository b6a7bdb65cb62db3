"""`reamps library` find, similar, compare, judgements, show: questions and answers."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.library.options import (
    DEFAULT,
    As,
    Count,
    Number,
    Root,
    Shape,
    Tools,
    Wheres,
    Words,
    answer,
    opened,
    say,
    storable,
)
from pipeline.library.tables import counted

if TYPE_CHECKING:
    from pipeline.library.catalogue import Catalogue
    from pipeline.library.nearest import Near

_WHOLE = 400


def find(
    words: Words = None,
    where: Wheres = None,
    shape: As = Shape.TABLE,
    show: Annotated[
        str | None,
        typer.Option(
            "--show",
            metavar="FIELDS",
            help="Columns: fields and recall keys, such as id,mic,hum_db,gain.",
        ),
    ] = None,
    sort: Annotated[
        str | None,
        typer.Option("--sort", metavar="FIELD", help="Sort by it; -FIELD downwards."),
    ] = None,
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
            "--count",
            "-n",
            min=1,
            max=1_000_000,
            help="At most so many. (default: 50 in a table)",
        ),
    ] = None,
    library: Root = DEFAULT,
) -> None:
    """Find tones by words and conditions.

    Words are looked for in all that was written: names, set-up, cabinet, microphone,
    position, tags, notes, your own recall keys. A word also finds what begins with it;
    a phrase stands in quotes of its own: '"cap edge"'.

    Conditions compare any field of the record and any recall key: = != < <= > >= and ~
    for "contains", joined by and, or, not and brackets. `reamps library show NUMBER`
    lists the fields.

    Example: reamps library find ribbon -w "distance_mm < 50" -w "brightness_hz > 1500"
    """
    if count is None and shape is Shape.TABLE:
        count = 50
    text, conditions = " ".join(words or ()), tuple(where or ())
    with opened(library) as catalogue:
        if judge is not None:
            _judge(catalogue, (judge, sort, show), (text, conditions), (count, shape))
            return
        from pipeline.library.find import SHOWN
        from pipeline.library.find import find as search
        from pipeline.library.standing import standing, told

        found = search(
            catalogue.db,
            text,
            conditions,
            columns=SHOWN if show is None else ("number", *_columns(show)),
            limit=count,
            order=sort or "number",
        )
        notes = told(standing(catalogue.db, text, conditions)) if text else ()
    answer(found.columns, list(found.rows), shape)
    say(f"{len(found.rows)} of {counted(found.total, 'tone')}")
    for note in notes:
        say(note)


def _columns(show: str) -> tuple[str, ...]:
    names = (name.strip() for name in show.split(","))
    return tuple(name for name in names if name and name != "number")


def _judge(
    catalogue: "Catalogue",
    how: tuple[str, str | None, str | None],
    asked: tuple[str, tuple[str, ...]],
    wanted: tuple[int | None, Shape],
) -> None:
    from pipeline.library.judgement import named, rank
    from pipeline.library.nearest import SHOWN
    from pipeline.library.refusals import QueryError

    name, sort, show = how
    if sort is not None:
        msg = "a judgement sorts by its own value: leave --sort or --judge out."
        raise QueryError(msg)
    judgement = named(catalogue.root, name)
    words, conditions = asked
    count, shape = wanted
    columns = SHOWN if show is None else _columns(show)
    found = rank(
        catalogue, judgement, conditions, words=words, count=count, columns=columns
    )
    keys = judgement.formula.keys
    say(f"{judgement.name} = {judgement.formula.text}")
    for line in (judgement.why, *judgement.formula.terms()):
        if line:
            say(f"    {line}")
    rows = [(row.number, row.value, *row.metrics, *row.facts) for row in found]
    answer(("number", "value", *keys, *columns), rows, shape)
    say(f"{counted(len(rows), 'tone')}, the highest value first")


def judgements(shape: As = Shape.TABLE, library: Root = DEFAULT) -> None:
    """List the named judgements and their formulas.

    Write your own into judgements.toml in the library's folder, one table each:

    ```
    [thick]
    formula = "body_db + 0.5 * mud_db - presence_db"
    why = "Low end against bite."
    ```
    """
    from pipeline.library.catalogue import existing
    from pipeline.library.judgement import judgements as known

    found = known(existing(library)).values()
    if shape is Shape.TABLE:
        for j in found:
            typer.echo(f"{j.name} ({'own' if j.own else 'built in'})")
            typer.echo(f"    {j.formula.text}")
            typer.echo(f"    {j.why or '-'}")
        return
    rows: list[tuple[str | float | None, ...]] = [
        (j.name, j.formula.text, "own" if j.own else "built in", j.why) for j in found
    ]
    answer(("name", "formula", "from", "why"), rows, shape)


def show(number: Number, shape: As = Shape.TABLE, library: Root = DEFAULT) -> None:
    """Show everything that is known of one tone, private notes included.

    The names of the fields are those that `find` takes in --where, --show and --sort.
    """
    from pipeline.library.listing import capture_facts

    with opened(library) as catalogue:
        rows = capture_facts(catalogue, number)
    answer(("field", "value"), rows, shape, widest=_WHOLE)


def similar(
    ctx: typer.Context,
    number: Annotated[
        int | None,
        typer.Argument(metavar="[NUMBER]", callback=storable, help="Number of a tone."),
    ] = None,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="FILE",
            exists=True,
            dir_okay=False,
            help="Any recording, instead of a tone.",
        ),
    ] = None,
    where: Wheres = None,
    count: Count = 10,
    shape: As = Shape.TABLE,
    library: Root = DEFAULT,
) -> None:
    """Find the nearest tones to one of the library or to a recording.

    Tones are compared by what their rigs do: response against the DI, compression,
    saturation, and what distortion fills, so it does not matter what was played. The
    distance is in dB: sqrt(response^2 + (0.7 compression)^2 + (0.2 saturation)^2 + (0.7
    filling)^2). A recording without its DI can only be compared by its average
    spectrum, and a message says so.
    """
    from pipeline.library.nearest import SHOWN
    from pipeline.library.nearest import similar as nearest
    from pipeline.library.refusals import QueryError

    if (number is None) == (to is None):
        msg = "give either the number of a tone or --to FILE."
        raise QueryError(msg)
    conditions = tuple(where or ())
    found: list[Near]
    with opened(library) as catalogue:
        if to is not None:
            found = _near_file(catalogue, ctx, to, (count, conditions))
            parts: tuple[str, ...] = ()
        else:
            found = nearest(catalogue, number or 0, count=count, conditions=conditions)
            parts = ("response_db", "compression_db", "saturation_db", "filling_db")
    rows = [(n.number, n.distance_db, *n.parts_db, *n.facts) for n in found]
    answer(("number", "distance_db", *parts, *SHOWN), rows, shape)


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
    say(CAUTION)
    return similar_to_heard(catalogue, heard, count=count, conditions=conditions)


def compare(
    first: Annotated[
        int,
        typer.Argument(metavar="FIRST", callback=storable, help="Number of a session."),
    ],
    second: Annotated[
        int,
        typer.Argument(metavar="SECOND", callback=storable, help="Number of another."),
    ],
    every: Annotated[
        bool,
        typer.Option("--every", help="Changes within the night's floor too."),
    ] = False,
    shape: As = Shape.TABLE,
    library: Root = DEFAULT,
) -> None:
    """Hold two nights of the same set-ups against each other.

    FIRST and SECOND are numbers of sessions, as `reamps library list` shows them. Shows
    what changed by more than the nights' own repeatability (set-ups that were recorded
    twice on a night, control = true). Different loudness targets are reconciled by
    arithmetic; no audio is touched.
    """
    from pipeline.library.listing import CHANGE_COLUMNS, changes, reunion_lines
    from pipeline.library.nights import compare_nights
    from pipeline.library.refusals import QueryError

    if first == second:
        msg = f"session {first} was named twice; give the numbers of two sessions."
        raise QueryError(msg)
    with opened(library) as catalogue:
        found = compare_nights(catalogue.record(first), catalogue.record(second))
    answer(CHANGE_COLUMNS, changes(found, every=every), shape)
    for line in reunion_lines(found):
        say(line)
