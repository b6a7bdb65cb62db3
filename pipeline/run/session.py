"""One session from its plan to its record.

Per capture: find it, cut it, measure it, write it; in between, the decisions that
need all of them: the shift of every pass, the level of the session.
"""

from pathlib import Path

from pipeline.files.bench import open_bench
from pipeline.models.plan import Plan
from pipeline.models.record import Record
from pipeline.run.around import Surroundings
from pipeline.run.context import NAME as CONTEXT_NAME
from pipeline.run.context import STAGE as CONTEXT_STAGE
from pipeline.run.context import play_along
from pipeline.run.judging import Judged, judge_session
from pipeline.run.keeping import Decision
from pipeline.run.levelling import level_session
from pipeline.run.recording import make_record
from pipeline.run.writing import make_folders, write_all

LATER = "an earlier stage has to run, and decides"
"""Why a stage is done, unless what it rests on comes out as before."""


def check_session(plan: Plan, around: Surroundings) -> Record:
    """Read and judge a session; write nothing.

    Parameters
    ----------
    plan : Plan
        What the session is.
    around : Surroundings
        Workers, progress and clock.

    Returns
    -------
    Record
        As a run would write it, without outputs and blends.
    """
    judged = judge_session(plan, around)
    levelled = level_session(judged, around, None, blends=False)
    return make_record(levelled, {}, play_along(levelled, None, around), around)


def run_session(plan: Plan, folder: Path, around: Surroundings) -> Record:
    """Process a session into a folder.

    Parameters
    ----------
    plan : Plan
        What the session is.
    folder : Path
        Where audio goes; it exists, and this run holds it.
    around : Surroundings
        Workers, progress, clock and what was kept.

    Returns
    -------
    Record
        The session with its outputs; not yet written.
    """
    make_folders(folder)
    with open_bench(folder) as bench:
        judged = judge_session(plan, around, folder, bench)
        levelled = level_session(judged, around, bench)
        outputs = write_all(levelled, folder, around)
    along = play_along(levelled, folder, around)
    around.keeper.close()
    return make_record(levelled, outputs, along, around)


def explain_session(
    plan: Plan, folder: Path, around: Surroundings
) -> tuple[Decision, ...]:
    """Say what a run would do and why, without doing it.

    Parameters
    ----------
    plan : Plan
        What the session is.
    folder : Path
        The run's folder.
    around : Surroundings
        With a keeper that only decides.

    Returns
    -------
    tuple of Decision
        Per capture and stage; "read" stands for a file that is not there or cannot
        be read. Where an earlier stage has to run first, the later one
        is said to run, and is reused if what it rests on comes out as before.
    """
    judged = judge_session(plan, around)
    known = set(judged.measured)
    complete = known == set(judged.cuts) and len(judged.located) == len(plan.captures)
    late = [(CONTEXT_STAGE, CONTEXT_NAME)] if plan.manifest.context else []
    if complete:
        levelled = level_session(judged, around, None)
        if levelled.complete:
            write_all(levelled, folder, around)
            play_along(levelled, folder, around)
            late = []
    waiting = [
        (stage, capture.id)
        for capture in plan.captures
        for stage, done in (
            ("measure", judged.cuts),
            ("write", known if complete else ()),
        )
        if capture.id not in done and not _known_bad(judged, capture.id)
    ]
    unread = [
        Decision("read", capture.id, reuse=False, reason=f"{code}: the run rejects it")
        for capture in plan.captures
        if (code := _unread(judged, capture.id)) is not None
    ]
    return (
        *around.keeper.decisions,
        *unread,
        *(
            Decision(stage, id_, reuse=False, reason=LATER)
            for stage, id_ in (*waiting, *late)
        ),
    )


def _unread(judged: Judged, id_: str) -> str | None:
    """Say why a capture's file cannot even be hashed."""
    print_ = judged.sources.prints[id_]
    return print_.findings[0].code if print_.sha256 is None else None


def _known_bad(judged: Judged, id_: str) -> bool:
    located = judged.located.get(id_)
    return located is not None and located.rejected
