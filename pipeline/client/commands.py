"""`reamps shortlist` and `reamps picks`: a shell around one call each.

What a command needs is imported inside it, so that help comes at once.
"""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from pipeline.client.merge import Merged
    from pipeline.client.shortlist import Made

Folder = Annotated[Path, typer.Argument(metavar="DIR", help="Folder of a run.")]
Ids = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="[ID]...",
        help="Three to five captures or blends. [default: proposed by character]",
    ),
]
Out = Annotated[
    Path | None,
    typer.Option(
        "--out",
        "-o",
        metavar="PATH",
        help="The page, ending in .html, or a folder. [default: a new name in DIR]",
    ),
]
Names = Annotated[
    list[str] | None,
    typer.Option("--name", metavar="ID=NAME", help="What the client calls it."),
]
Notes = Annotated[
    list[str] | None,
    typer.Option("--note", metavar="ID=TEXT", help="A line for the client to read."),
]
Recommend = Annotated[
    str | None,
    typer.Option(
        "--recommend", metavar="ID", help="Your recommendation. [default: by measure]"
    ),
]
Reference = Annotated[
    Path | None,
    typer.Option(
        "--reference",
        metavar="FILE",
        help="A recording that the client likes: tones are ranked by their distance "
        "to it. It is only measured, and no part of the page.",
    ),
]
Title = Annotated[str, typer.Option("--title", help="Heading of the page.")]
AsFolder = Annotated[
    bool,
    typer.Option("--folder", help="A page and its sounds beside it, not one file."),
]
MaxMb = Annotated[
    float,
    typer.Option("--max-mb", min=0.2, max=200.0, help="Largest single file, in MB."),
]
Seconds = Annotated[
    float | None,
    typer.Option("--seconds", min=2.0, max=86_400.0, help="Longest excerpt, in s."),
]
Pcm = Annotated[
    bool,
    typer.Option("--pcm", help="16-bit PCM instead of FLAC, for very old phones."),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print the result as JSON on standard output.")
]
PicksFile = Annotated[
    Path,
    typer.Argument(
        metavar="FILE",
        allow_dash=True,
        help="The picks file, or a message's text in a file; - reads standard input.",
    ),
]


def add_commands(app: typer.Typer) -> None:
    """Add `shortlist` and `picks`.

    Parameters
    ----------
    app : typer.Typer
        The program's commands.
    """
    app.command()(shortlist)
    app.command()(picks)


def shortlist(  # noqa: PLR0913 one argument an option
    folder: Folder,
    ids: Ids = None,
    out: Out = None,
    name: Names = None,
    note: Notes = None,
    recommend: Recommend = None,
    reference: Reference = None,
    title: Title = "Which guitar sound?",
    folder_out: AsFolder = False,
    max_mb: MaxMb = 25.0,
    seconds: Seconds = None,
    pcm: Pcm = False,
    as_json: AsJson = False,
) -> None:
    """Make a page for the client: three to five tones to hear and choose from.

    The page holds audio, names, sentences made from measures, and nothing else of the
    session: no file names, gear, notes or recall. The client's answer comes back with
    `reamps picks`. Prints the page's path.
    """
    import secrets

    from pipeline.client.shortlist import Wishes, make_shortlist

    wishes = Wishes(
        ids=tuple(ids or ()),
        names=_pairs(name, "--name"),
        notes=_pairs(note, "--note"),
        recommend=recommend,
        reference=reference,
        title=title,
        seconds=seconds,
        max_mb=max_mb,
        folder=folder_out,
        pcm=pcm,
    )
    made = make_shortlist(
        folder,
        out,
        wishes,
        secret=(secrets.token_hex(8), secrets.token_hex(32)),
        now=_now(),
    )
    for line in _told(made):
        typer.echo(line, err=True)
    typer.echo(_made_json(made) if as_json else str(made.page))


def picks(folder: Folder, file: PicksFile, as_json: AsJson = False) -> None:
    """Take a client's picks in, after checking them against the record.

    Takes the saved file or the text of a message, merges it into DIR/picks.json and
    makes the session's page again, which shows who chose what. Forged, altered or
    stale picks are refused and nothing changes; the same picks twice change nothing.
    """
    from pipeline.client.merge import merge_picks

    content, source = _content(file)
    merged = merge_picks(
        folder,
        content,
        source=source,
        now=_now(),
    )
    if as_json:
        answer = {
            "new": merged.new,
            "page": str(merged.page),
            "pick": merged.pick.model_dump(mode="json"),
        }
        typer.echo(json.dumps(answer, ensure_ascii=False))
        return
    for line in _answer(merged):
        typer.echo(line)


def _now() -> str:
    import datetime

    return f"{datetime.datetime.now(tz=datetime.UTC):%Y-%m-%dT%H:%M:%SZ}"


def _pairs(given: list[str] | None, option: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for one in given or ():
        id_, equals, text = one.partition("=")
        if not equals or not id_ or not text.strip():
            message = f"expected ID=TEXT, found {one!r}"
            raise typer.BadParameter(message, param_hint=option)
        found[id_] = text
    return found


def _content(file: Path) -> tuple[bytes, str]:
    from pipeline.client.merge import LARGEST_BYTES
    from pipeline.errors import RecordError

    most = LARGEST_BYTES + 1
    if str(file) == "-":
        return typer.get_binary_stream("stdin").read(most), "standard input"
    try:
        with file.open("rb") as handle:
            return handle.read(most), str(file)
    except OSError as error:
        message = f"{file}: cannot be read ({error.strerror}). Nothing was merged."
        raise RecordError(message) from error


def _told(made: "Made") -> list[str]:
    from pipeline.client.reference import WARNING

    lines = [
        f"{option.name}: {id_}. {option.told} {option.advice}".rstrip()
        for option, id_ in zip(made.options, made.ids, strict=True)
    ]
    if made.distances:
        nearest = ", ".join(
            f"{k} {v:.1f} dB" for k, v in list(made.distances.items())[:8]
        )
        lines += [f"Distance to the reference, nearest first: {nearest}.", WARNING]
    lines.append(f"Excerpt: {made.cut or 'the whole song'}.")
    kinds = sorted({option.mime.removeprefix("audio/") for option in made.options})
    lines.append(
        f"Size {made.size_mb:.1f} MB ({', '.join(kinds)}); "
        f"{made.decoded_mb:.1f} MB decoded in the browser."
    )
    return lines


def _made_json(made: "Made") -> str:
    options = [
        {"id": id_, "name": option.name, "sentence": option.told}
        | {"recommended": bool(option.advice)}
        for option, id_ in zip(made.options, made.ids, strict=True)
    ]
    found = {
        "page": str(made.page),
        "shortlist": made.token,
        "options": options,
        "size_mb": round(made.size_mb, 3),
        "decoded_mb": round(made.decoded_mb, 3),
        "cut": made.cut,
        "reference_distance_db": {k: round(v, 3) for k, v in made.distances.items()},
    }
    return json.dumps(found, ensure_ascii=False)


def _answer(merged: "Merged") -> list[str]:
    import math

    from pipeline.report.text import clock

    pick = merged.pick
    start = "Merged" if merged.new else "Known already, nothing changed"
    how = ", chosen without seeing names" if pick.blind else ""
    who = pick.by or "no name given"
    lines = [f"{start}: {who}, saved {pick.saved}{how}."]
    lines += [
        f"{place}. {one.id} (\N{LEFT DOUBLE QUOTATION MARK}{one.name}"
        "\N{RIGHT DOUBLE QUOTATION MARK} on the page)"
        for place, one in enumerate(pick.order, start=1)
    ]
    if not pick.order:
        lines.append("No choice, only comments.")
    lines += [
        f"{clock(math.floor(one.at_s))} {one.id}: {one.text}" for one in pick.comments
    ]
    return [*lines, f"The page shows it: {merged.page}"]
