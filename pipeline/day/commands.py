"""The session day's commands: a shell around one call each of the modules beside it.

What a command needs is imported inside it, so that help comes at once.
"""

import os
import shlex
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pipeline import interruption

DONE, SOME_REJECTED = 0, 4

Di = Annotated[
    Path | None,
    typer.Option("--di", metavar="FILE", help="The dry recording that was played."),
]
Output = Annotated[
    Path,
    typer.Option("--out", "--output", "-o", metavar="FILE", help="The file to write."),
]


class Level(StrEnum):
    """Level conventions of impulse responses."""

    MATCH = "match"
    UNITY = "unity"


def _say(text: str) -> None:
    typer.echo(text, err=True)


def playout(
    di: Annotated[Path, typer.Argument(metavar="DI", help="The dry recording.")],
    output: Output,
    channel: Annotated[int, typer.Option(min=1, help="Channel of the DI.")] = 1,
    sweep: Annotated[
        bool, typer.Option(help="Put a sweep in, for responses and distortion.")
    ] = True,
    sweep_dbfs: Annotated[
        float | None,
        typer.Option(
            "--sweep-level", max=-0.01, help="Its peak, dBFS. [default: the DI's peak]"
        ),
    ] = None,
    marker_dbfs: Annotated[
        float | None,
        typer.Option(
            "--marker-level", max=-0.01, help="The same, of the markers' peaks."
        ),
    ] = None,
    sweep_s: Annotated[
        float,
        typer.Option(
            "--sweep-length",
            min=2.0,
            max=60.0,
            help="Seconds, roughly. A longer one tells more against noise.",
        ),
    ] = 8.0,
) -> None:
    """Make the file that is played through the amplifier.

    Silence for a noise print, three markers, a sweep, the DI bit for bit, silence for
    the tail, the markers again. A sidecar beside it says where everything lies.
    """
    from pipeline.day.playout import PlayoutWish, write_playout

    made = write_playout(
        PlayoutWish(di, output, channel, sweep, sweep_dbfs, marker_dbfs, sweep_s)
    )
    rate = made.layout.sample_rate_hz
    _say(
        f"{made.layout.frames / rate:.1f} s; the DI starts at "
        f"{made.layout.di_start / rate:.3f} s (frame {made.layout.di_start})."
    )
    if not made.exact:
        _say("The DI has more than 24 bits a sample: 24 of them are kept.")
    for line in made.cautions:
        _say(line)
    typer.echo(str(output))
    typer.echo(str(made.sidecar))


def responses(  # noqa: PLR0913 (its options)
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of a run.")],
    ids: Annotated[
        list[str] | None, typer.Argument(metavar="[ID...]", help="Captures.")
    ] = None,
    di: Annotated[
        Path | None, typer.Option("--di", metavar="FILE", help="The DI of that run.")
    ] = None,
    manifest: Annotated[
        Path | None,
        typer.Option(metavar="MANIFEST", help="Instead of --di; sweeps are used, too."),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option(
            "--out", "--output", "-o", metavar="DIR", help="[default: DIR/responses]"
        ),
    ] = None,
    rates: Annotated[
        list[int] | None,
        typer.Option(
            "--rate",
            min=8000,
            max=384_000,
            help="Rate in Hz. [default: 44100, 48000 and 96000]",
        ),
    ] = None,
    minimum_phase: Annotated[
        bool, typer.Option("--minimum-phase", help="Start at once.")
    ] = False,
    level: Annotated[
        Level,
        typer.Option(help="match: the run's level; unity: loudest third octave 0 dB."),
    ] = Level.MATCH,
    as_float: Annotated[
        bool, typer.Option("--float", help="32-bit float instead of 24 bits.")
    ] = False,
) -> None:
    """Write impulse responses of amp, cabinet and microphone.

    The best linear filter from the DI to the capture, or what the sweep of a play-out
    file gave (needs --manifest) where that comes nearer; with the share of the capture
    that it explains: near 100 % for a clean chain, less for a distorted one.
    """
    from pipeline.day.responses import POOR, RATES_HZ, ResponseWish, write_responses

    wish = ResponseWish(
        folder=folder,
        di=di,
        output=output or folder / "responses",
        ids=tuple(ids or ()),
        rates_hz=tuple(rates or RATES_HZ),
        minimum_phase=minimum_phase,
        level="unity" if level is Level.UNITY else "match",
        as_float=as_float,
        manifest=manifest,
    )
    written = write_responses(wish)
    for made in written:
        text = (
            f"{made.id}: from the {'sweep' if made.swept else 'music'}, explains "
            f"{made.confidence:.0%}; the DI through it differs "
            f"from the capture by {made.error_db:.1f} dB"
        )
        if made.scaled_db:
            text += f"; lowered by {made.scaled_db:.2f} dB to fit into 24 bits"
        if made.confidence < POOR:
            text += ". A distorted chain: no response holds its sound"
        _say(text)
        for path in made.files:
            typer.echo(str(path))
    if late_s := written[0].lag_zero_s:
        _say(
            f"Lag 0 lies {late_s * 1000.0:.2f} ms into each file, so that what rings "
            "ahead of it is kept: what you make with them comes so much later. Move it "
            "back, or take --minimum-phase, which starts at once."
        )


def readback(
    capture: Annotated[
        Path, typer.Argument(metavar="CAPTURE", help="Recording of a play-out file.")
    ],
    sidecar: Annotated[
        Path,
        typer.Option("--playout", metavar="JSON", help="The play-out file's sidecar."),
    ],
    channel: Annotated[int, typer.Option(min=1, help="Channel of the capture.")] = 1,
    output: Annotated[
        Path | None,
        typer.Option(
            "--out",
            "--output",
            "-o",
            metavar="DIR",
            help="Write the sweep's response there.",
        ),
    ] = None,
    minimum_phase: Annotated[
        bool, typer.Option("--minimum-phase", help="Start at once.")
    ] = False,
    level: Annotated[
        Level, typer.Option(help="match: as recorded; unity: loudest band 0 dB.")
    ] = Level.MATCH,
    as_float: Annotated[
        bool, typer.Option("--float", help="32-bit float instead of 24 bits.")
    ] = False,
) -> None:
    """Read a capture of a play-out file: lag, drift, noise, response, distortion."""
    from pipeline.day.readback import read_back
    from pipeline.day.responses import ResponseWish

    wish = None
    if output is not None:
        wish = ResponseWish(
            folder=output,
            di=sidecar,
            output=output,
            minimum_phase=minimum_phase,
            level="unity" if level is Level.UNITY else "match",
            as_float=as_float,
        )
    found = read_back(capture, channel, sidecar, wish)
    for line in found.lines:
        typer.echo(line)
    for path in found.files:
        typer.echo(str(path))


def watch(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where the recorder writes.")
    ],
    di: Annotated[
        Path, typer.Option("--di", metavar="FILE", help="The dry recording.")
    ],
    everything: Annotated[
        bool,
        typer.Option(
            "--all", help="Judge the files that are there, too, as the first pass."
        ),
    ] = False,
    most_passes: Annotated[
        int | None, typer.Option("--passes", min=1, help="End after so many passes.")
    ] = None,
) -> None:
    """Say of every capture that lands whether it is usable, before the mic moves.

    Ctrl-C ends and lists what to record again. Exit status 4 if the list is not empty.
    """
    from threading import Event

    from pipeline.day.watch import Vigil
    from pipeline.day.watch import watch as watch_folder

    vigil = Vigil(folder, di, everything, most_passes)
    with interruption.expected():
        watched = watch_folder(vigil, _say, Event())
    raise typer.Exit(SOME_REJECTED if watched.again else DONE)


def draft(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder with the audio files.")
    ],
    di: Annotated[
        Path | None,
        typer.Option(
            "--di",
            metavar="FILE",
            help="The dry recording that was played. [default: the one file whose "
            "name says DI, dry or direct]",
        ),
    ] = None,
    others: Annotated[
        list[Path] | None,
        typer.Option(
            "--other-di",
            metavar="FILE",
            help="Another DI of the night: its captures are told apart.",
        ),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option(
            "--out",
            "--output",
            "-o",
            metavar="MANIFEST",
            help="[default: FOLDER/session.toml]",
        ),
    ] = None,
    pattern: Annotated[
        str | None,
        typer.Option(
            # In backticks: Markdown takes underscores between braces for emphasis.
            help="How names are built, such as `{setup}_{mic}_{distance_mm}mm`; "
            "`{}` stands for anything. [default: plain words of the trade are read]"
        ),
    ] = None,
    jobs: Annotated[
        int | None,
        typer.Option(
            "--jobs", "-j", min=1, help="How many processes work. [default: every core]"
        ),
    ] = None,
) -> None:
    """Propose a manifest for a folder of badly named files, or add to one.

    Finds which files are captures of the DI, a stereo file's channels one by one,
    groups those into passes that were recorded at the same time, and tells why others
    are none. Read what it wrote, correct it, add microphones and knobs, and run it.
    Called again it adds new files only; what you wrote stays as it is.
    """
    from pipeline.day.draft import Wish
    from pipeline.day.draft import draft as propose

    wish = Wish(
        folder, di, tuple(others or ()), output, pattern, jobs or os.cpu_count() or 1
    )
    made = propose(wish, lambda done, total: _say(f"looked at {done} of {total}"))
    _say(f"DI: {made.di}")
    for line in made.left_out:
        _say(f"left out: {line}")
    _say(f"{made.summary} Next:  reamps run {shlex.quote(str(made.manifest))}")
    typer.echo(str(made.manifest))


def sheet(
    source: Annotated[
        Path, typer.Argument(metavar="MANIFEST|CSV", help="What is read.")
    ],
    output: Output,
    semicolons: Annotated[
        bool, typer.Option("--semicolons", help="Semicolons and decimal commas.")
    ] = False,
) -> None:
    """Turn a manifest's captures into a take sheet (CSV), or a take sheet back.

    Back: `reamps sheet night.csv -o session.toml` replaces the captures of that
    manifest; everything else in it stays, comments too. A manifest that says
    `takes = "night.csv"` reads the sheet itself and needs no way back.
    """
    from pipeline.day.exchange import sheet_into_manifest, write_sheet

    if source.suffix.lower() in {".csv", ".txt", ".tsv"}:
        count = sheet_into_manifest(source, output)
    else:
        count = write_sheet(source, output, comma=not semicolons)
    _say(f"{count} captures")
    typer.echo(str(output))


def recall(
    source: Annotated[
        Path, typer.Argument(metavar="DIR|MANIFEST", help="A run's folder or manifest.")
    ],
    output: Output,
    client: Annotated[
        bool, typer.Option("--client", help="Leave private keys out.")
    ] = False,
    photos: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Where photos are named from. [default: beside the manifest]",
        ),
    ] = None,
) -> None:
    """Write a recall sheet to print on A4 or Letter: a page a set-up and pass.

    Everything that was written down, microphones drawn, and the photos that a `photo`
    key names: in the session, a set-up, a cabinet, a microphone or a capture.
    """
    from pipeline.day.recall import write_recall

    sheet = write_recall(source, output, client=client, photos=photos)
    for photo in sheet.missing:
        _say(f"photo of {photo.caption}: {photo.trouble}")
    _say(f"{len(sheet.pages)} set-ups and passes. Print it from a browser.")
    typer.echo(str(output))


def handover(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of a run.")],
    ids: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[ID...]", help="Captures and blends. (default: all captures)"
        ),
    ] = None,
    target: Annotated[
        Path,
        typer.Option(
            "--out", "--output", "-o", metavar="FOLDER", help="Where copies go."
        ),
    ] = ...,  # type: ignore[assignment] # typer's mark of a required option
    template: Annotated[
        str,
        typer.Option(
            help="Names of the copies: {date} {session} {setup} {mic} {position} "
            "{distance_mm} {pass} {id} ...",
        ),
    ] = "{session} - {id}",
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show the names and write nothing.")
    ] = False,
) -> None:
    """Copy the aligned files under good names, with a nudge list and checksums.

    The files carry the DI's time, so "move to original time" puts them in place; the
    nudge list moves your own files by samples or milliseconds.
    """
    from pipeline.day.handover import hand_over, original_time, plan_handover

    copies = plan_handover(folder, target, template, tuple(ids or ()))
    if not dry_run:
        hand_over(folder, target, copies)
    for copy in copies:
        typer.echo(f"{copy.source}\t{copy.target}")
    _say(
        f"{len(copies)} files {'would be' if dry_run else 'were'} handed over to "
        f"{target}"
    )
    at = original_time(copies)
    _say(
        "The DI carried no time: put the files where the DI starts."
        if at is None
        else f'"Move to original time" puts them at sample {at}, where the DI lies.'
    )


def add_commands(app: typer.Typer) -> None:
    """Give the session day's commands to an app.

    Parameters
    ----------
    app : typer.Typer
        Who gets them.
    """
    own = (playout, readback, watch, draft, sheet, recall, responses, handover)
    for command in own:
        app.command()(command)
