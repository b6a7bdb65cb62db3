"""The commands. A shell around one call each of the library below.

Messages and progress go to standard error; standard output carries only what was
asked for. What a command needs is imported inside it, so that help comes at once.
"""

import json
import os
from pathlib import Path
from typing import Annotated

import typer

from pipeline import __version__
from pipeline.client.commands import add_commands as add_client_commands
from pipeline.day.commands import add_commands as add_day_commands
from pipeline.interruption import INTERRUPTED
from pipeline.library.commands import make_app
from pipeline.library.heard import Heard

DONE, REFUSED, USAGE, BUG, SOME_REJECTED = 0, 1, 2, 3, 4

app = typer.Typer(
    name="reamps",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    # Rich's own markup would swallow whatever stands in square brackets.
    rich_markup_mode="markdown",
    context_settings={"help_option_names": ["-h", "--help"]},
    help="""Align, level, measure and compare the captures of one DI.

    A manifest (a small TOML file) names one dry DI and the recordings of it through
    your amplifier. `reamps run` finds when each of them happened, moves them onto the
    DI's time, brings them to one loudness, measures them, and writes a page to listen
    and choose on. Your own files are only ever read.

    Start with:  reamps demo my-first-session

    With files of your own:  reamps draft FOLDER  proposes the manifest, and then
    reamps run FOLDER/session.toml
    """,
    epilog="Exit status: 0 done, 1 refused, 2 wrong usage, 3 a bug, 4 done but some "
    f"captures were rejected, {INTERRUPTED} interrupted.",
)

Jobs = Annotated[
    int | None,
    typer.Option(
        "--jobs", "-j", min=1, help="How many processes work. (default: every core)"
    ),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print the result as JSON on standard output.")
]
Quiet = Annotated[
    bool, typer.Option("--quiet", "-q", help="No progress and no summary.")
]
ManifestPath = Annotated[Path, typer.Argument(metavar="MANIFEST", help="A TOML file.")]


def _cores() -> int:
    return os.cpu_count() or 1


def _begin_workers(jobs: int | None) -> int:
    """Decide how many processes work; they import while this one does."""
    jobs = jobs or _cores()
    if jobs > 1:
        from pipeline.run.begin import ready_to_begin

        ready_to_begin()
    return jobs


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"reamps {__version__}")
        raise typer.Exit


@app.callback()
def main_options(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_show_version, is_eager=True, help="Print version."
        ),
    ] = False,
) -> None:
    """Align, level, measure and compare the captures of one DI."""


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder.")],
    jobs: Jobs = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Write a small invented session into DIR and process it.

    The session's truth is known, so it also shows that the tool works here. One of its
    files is wrong on purpose: the command succeeds when exactly that one is rejected.
    The page is DIR/report/index.html.
    """
    jobs = _begin_workers(jobs)
    from pipeline.run.service import Options, run_demo

    outcome = run_demo(folder, Options(jobs=jobs, quiet=quiet))
    if as_json:
        typer.echo(json.dumps(outcome.as_json(), ensure_ascii=False))
    else:
        typer.echo(str(outcome.page))
    raise typer.Exit(outcome.status)


@app.command()
def check(
    manifest: ManifestPath,
    jobs: Jobs = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Read everything, judge everything, write nothing.

    Says per capture whether it is usable and why not, as `run` would.
    """
    jobs = _begin_workers(jobs)
    from pipeline.run.service import Options, run_check

    outcome = run_check(manifest, Options(jobs=jobs, quiet=quiet))
    if as_json:
        typer.echo(json.dumps(outcome.as_json(), ensure_ascii=False))
    raise typer.Exit(outcome.status)


@app.command()
def run(
    manifests: Annotated[
        list[Path],
        typer.Argument(metavar="MANIFEST", help="One or more TOML files."),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            "-o",
            metavar="DIR",
            help="Where the result goes; several manifests get a folder each in it. "
            "(default: reports/SESSION)",
        ),
    ] = None,
    trims: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Trims by ear that the page saved. (default: trims.json in DIR)",
        ),
    ] = None,
    jobs: Jobs = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Work on the Dask cluster whose scheduler is there, such as "
            "tcp://HOST:8786, instead of here. Needs reamps[cluster].",
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Do the whole job: align, level, measure, compare, write the page.

    Writes index.html, record.json, metrics.csv and audio/ into the folder and prints
    the page's path. Your own files are only read.
    """
    jobs = _begin_workers(jobs) if cluster is None else 1
    from pipeline.run.service import Options, run_manifests

    options = Options(jobs=jobs, quiet=quiet, cluster=cluster)
    outcomes = run_manifests(manifests, out, options, trims=trims)
    if as_json:
        sessions = [outcome.as_json() for outcome in outcomes]
        typer.echo(json.dumps({"sessions": sessions}, ensure_ascii=False))
    else:
        for outcome in outcomes:
            if outcome.page is not None:
                typer.echo(str(outcome.page))
    raise typer.Exit(max_status([outcome.status for outcome in outcomes]))


@app.command()
def explain(
    manifest: ManifestPath,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="DIR", help="Folder of the run."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say per capture and stage what `run` would do, and why.

    Only the files are looked at; nothing is computed and nothing written.
    """
    from pipeline.run.service import Options
    from pipeline.run.service import explain as explain_manifest

    decisions = explain_manifest(manifest, out, Options(jobs=1, quiet=True))
    if as_json:
        rows = [
            {"stage": d.stage, "id": d.id, "reuse": d.reuse, "reason": d.reason}
            for d in decisions
        ]
        typer.echo(json.dumps(rows, ensure_ascii=False))
        return
    for decision in decisions:
        word = "reuse" if decision.reuse else "run"
        typer.echo(f"{decision.id}\t{decision.stage}\t{word}\t{decision.reason}")


@app.command()
def report(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of a run.")],
) -> None:
    """Rebuild the page from DIR/record.json (and DIR/picks.json), without audio."""
    from pipeline.files.hold import hold_folder
    from pipeline.files.store import read_record
    from pipeline.report.writing import write_page

    read_record(folder)  # nothing is put into a folder that is no run's
    with hold_folder(folder, "reamps report"):
        page = write_page(folder)
    typer.echo(str(page))


@app.command()
def schema() -> None:
    """Print the JSON Schema of the manifest, for editors."""
    from pipeline.models.manifest import Manifest

    text = json.dumps(Manifest.model_json_schema(by_alias=True), indent=2)
    typer.echo(text)


def _hear(path: Path) -> Heard:
    from pipeline.run.hearing import hear_file

    return hear_file(path)


add_day_commands(app)
add_client_commands(app)
app.add_typer(make_app(measure=_hear), name="library")


def max_status(statuses: list[int]) -> int:
    """Exit status of several sessions.

    Parameters
    ----------
    statuses : list of int
        One a session.

    Returns
    -------
    int
        Refused wins over rejected, rejected over done.
    """
    for status in (BUG, REFUSED, SOME_REJECTED):
        if status in statuses:
            return status
    return DONE
