"""What the commands call: sessions by their manifests, with messages for a person."""

import datetime
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from pydantic import JsonValue

from pipeline.errors import ReampsError, RecordError
from pipeline.files.atomic import make_folder, sweep
from pipeline.files.bench import clear_benches
from pipeline.files.hold import hold_folder
from pipeline.files.manifest import read_plan
from pipeline.files.names import as_seen, inside, slug
from pipeline.files.picks import read_picks
from pipeline.files.store import read_record, record_text, write_record
from pipeline.files.trims import TRIMS_NAME, read_trims
from pipeline.models.plan import Plan
from pipeline.models.record import Record
from pipeline.report.listening import listening_file
from pipeline.run.around import Surroundings
from pipeline.run.begin import import_ahead
from pipeline.run.executor import Serial, Workers, open_workers
from pipeline.run.keeping import FOLDER as KEPT
from pipeline.run.keeping import Decision, Keeper
from pipeline.run.places import WRITTEN, refuse_sources, same_place, source_files
from pipeline.run.progress import Progress, Silent, open_bar
from pipeline.run.session import check_session, explain_session, run_session
from pipeline.run.tasks import sound

DONE, REFUSED, BUG, SOME_REJECTED = 0, 1, 3, 4
REPORTS = Path("reports")


@dataclass(frozen=True, slots=True)
class Options:
    """How the work is done and told.

    Parameters
    ----------
    jobs : int
        Number of processes.
    quiet : bool
        Print only what failed.
    cluster : str or None
        Address of a scheduler whose workers do the work of a run.
    """

    jobs: int
    quiet: bool
    cluster: str | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one session.

    Parameters
    ----------
    manifest : Path
        Its manifest.
    status : int
        Exit status of the contract.
    record : Record or None
        None when it was refused.
    page : Path or None
        The page, where one was written.
    """

    manifest: Path
    status: int
    record: Record | None
    page: Path | None

    def as_json(self) -> dict[str, JsonValue]:
        """Machine-readable form.

        Returns
        -------
        dict
            Manifest, status, page and the whole record.
        """
        record = json.loads(record_text(self.record)) if self.record else None
        return {
            "manifest": str(self.manifest),
            "status": self.status,
            "page": str(self.page) if self.page else None,
            "record": record,
        }


def run_manifests(
    manifests: Sequence[Path],
    out: Path | None,
    options: Options,
    *,
    trims: Path | None = None,
) -> list[Outcome]:
    """Process sessions one after the other; one refusal does not stop the rest.

    Parameters
    ----------
    manifests : sequence of Path
        Their manifests.
    out : Path or None
        Where results go; None means reports/SESSION.
    options : Options
        Workers and messages.
    trims : Path, optional
        Trims by ear that the page saved; without it those that lie in the folder of
        a result are used.

    Returns
    -------
    list of Outcome
        One a manifest.

    Raises
    ------
    ReampsError
        If the only session is refused.
    """
    outcomes = []
    with _surroundings(options) as (workers, progress):
        for manifest in manifests:
            try:
                plan = read_plan(manifest)
                folder = _folder(plan, out, alone=len(manifests) == 1)
                outcomes.append(_run_one(plan, folder, workers, progress, trims))
            except ReampsError as error:
                if len(manifests) == 1:
                    raise
                progress.say(str(error))
                outcomes.append(Outcome(manifest, REFUSED, None, None))
    return outcomes


def run_check(manifest: Path, options: Options) -> Outcome:
    """Judge a session without writing anything.

    Parameters
    ----------
    manifest : Path
        Its manifest.
    options : Options
        Workers and messages.

    Returns
    -------
    Outcome
        Without a page. A `ReampsError` says why nothing could be done.
    """
    plan = read_plan(manifest)
    with _surroundings(options) as (workers, progress):
        record = check_session(plan, _around(workers, progress, Keeper(None)))
        _tell(record, progress)
    return Outcome(manifest, _status(record), record, None)


def explain(manifest: Path, out: Path | None, options: Options) -> tuple[Decision, ...]:
    """Say what `run` would do, per capture and stage, and why.

    Parameters
    ----------
    manifest : Path
        The session's manifest.
    out : Path or None
        Its folder; None means reports/SESSION.
    options : Options
        Workers and messages.

    Returns
    -------
    tuple of Decision
        In the order of the work. A `ReampsError` says why nothing could be done.
    """
    plan = read_plan(manifest)
    folder = _folder(plan, out, alone=True)
    with _surroundings(options) as (workers, progress):
        around = _around(
            workers,
            progress,
            Keeper(folder, dry=True),
            trims=_trims(folder, None),
        )
        return explain_session(plan, folder, around)


def run_demo(folder: Path, options: Options) -> Outcome:
    """Write the invented session into a folder and process it.

    Parameters
    ----------
    folder : Path
        A new folder, or that of an earlier demo.
    options : Options
        Workers and messages.

    Returns
    -------
    Outcome
        Status 0 when exactly the planted wrong file is rejected. A `ReampsError` says
        why nothing could be done.
    """
    # The synthesiser's filters take half a second to import: only where they sound.
    from pipeline.demo.write import write_demo  # noqa: PLC0415

    with _surroundings(options) as (workers, progress):
        session = write_demo(folder, _Told("synthesising the demo", progress))
        plan = read_plan(session.manifest)
        outcome = _run_one(plan, folder / "report", workers, progress)
    captures = outcome.record.captures if outcome.record else ()
    rejected = [capture.id for capture in captures if capture.status == "rejected"]
    as_planted = rejected == [session.wrong_file_id]
    return replace(outcome, status=DONE if as_planted else SOME_REJECTED)


class _Told:
    """Tells a progress of steps that are counted elsewhere.

    Parameters
    ----------
    what : str
        Name of the phase.
    progress : Progress
        Who is told.
    """

    def __init__(self, what: str, progress: Progress) -> None:
        self._what = what
        self._progress = progress
        self._begun = False

    def __call__(self, _done: int, total: int) -> None:
        """Count one step; the first call begins the phase."""
        if not self._begun:
            self._progress.begin(self._what, total)
            self._begun = True
        self._progress.step()


def _run_one(  # noqa: PLR0917 (private)
    plan: Plan,
    folder: Path,
    workers: Workers,
    progress: Progress,
    trims: Path | None = None,
) -> Outcome:
    refuse_sources(plan, folder)
    make_folder(folder)
    with hold_folder(folder, f"reamps run, since {_now()}"), _swept(folder):
        around = _around(workers, progress, Keeper(folder), trims=_trims(folder, trims))
        read_picks(folder)  # a damaged book is refused before the work, not after it
        workers.reach(source_files(plan), folder.absolute())
        if not isinstance(workers, Serial):
            import_ahead("pipeline.report.writing")
        # Workers elsewhere have another current folder.
        record = run_session(plan, folder.absolute(), around)
        _remove_stale(folder, record)
        write_record(folder, record)
        # It draws with a library that takes long to import.
        from pipeline.report.writing import write_page  # noqa: PLC0415

        page = write_page(folder)
    _tell(record, progress)
    _tell_reuse(around.keeper, progress)
    return Outcome(plan.manifest_path, _status(record), record, page)


def _folder(plan: Plan, out: Path | None, *, alone: bool) -> Path:
    if out is None:
        return REPORTS / slug(plan.name)
    return out if alone else out / slug(plan.name)


@contextmanager
def _swept(folder: Path) -> Iterator[None]:
    """Clear what a killed run left, before and after this one."""
    places = [folder, *(folder / name for name in (*WRITTEN, KEPT))]
    for place in places:
        sweep(place)
    try:
        yield
    finally:
        for place in places:
            sweep(place)
        # Again: an interruption may have come while the session cleared its own.
        clear_benches(folder)


def _remove_stale(folder: Path, record: Record) -> None:
    """Remove outputs of the last run that are none of this one's."""
    try:
        before = read_record(folder)
    except RecordError:
        return
    made = {as_seen(name): folder / name for name in _files(record)}
    for name in _files(before) - _files(record):
        stale = inside(folder, Path(name))
        # Written with other capitals, it may be the very file of this run.
        if (twin := made.get(as_seen(name))) is None or not same_place(stale, twin):
            stale.unlink(missing_ok=True)


def _files(record: Record) -> set[str]:
    """Every audio file of a run and every copy for its page, relative to its folder."""
    made = [capture.output for capture in record.captures]
    made += [blend.output for blend in record.blends]
    files = {output.file for output in [*made, record.di.output] if output}
    files |= {listening_file(file) for file in files}
    if record.context is not None and record.context.listen:
        files.add(record.context.listen)
    return files


def _trims(folder: Path, given: Path | None) -> dict[str, float]:
    if given is not None:
        return read_trims(given)
    lying = folder / TRIMS_NAME
    return read_trims(lying) if lying.is_file() else {}


def _around(
    workers: Workers,
    progress: Progress,
    keeper: Keeper,
    *,
    trims: Mapping[str, float] | None = None,
) -> Surroundings:
    return Surroundings(workers, progress, keeper, _now(), trims or {})


def _now() -> str:
    """Date and time in UTC; SOURCE_DATE_EPOCH makes runs reproducible."""
    fixed = os.environ.get("SOURCE_DATE_EPOCH", "")
    now = (
        datetime.datetime.fromtimestamp(int(fixed), tz=datetime.UTC)
        if fixed.isdecimal()
        else datetime.datetime.now(tz=datetime.UTC)
    )
    return now.isoformat(timespec="seconds")


@contextmanager
def _surroundings(options: Options) -> Iterator[tuple[Workers, Progress]]:
    with open_workers(options.jobs, options.cluster) as workers:
        if options.quiet:
            yield workers, Silent()
        else:
            with open_bar() as bar:
                yield workers, bar


def _status(record: Record) -> int:
    if not all(sound(capture) for capture in record.captures):
        return BUG
    rejected = any(capture.status == "rejected" for capture in record.captures)
    return SOME_REJECTED if rejected else DONE


def _tell(record: Record, progress: Progress) -> None:
    counts = {"ok": 0, "flagged": 0, "rejected": 0}
    for capture in record.captures:
        counts[capture.status] += 1
        for finding in capture.findings:
            if finding.severity != "note":
                progress.say(f"{capture.id}: {finding.code}: {finding.message}")
                if finding.fix:
                    progress.say(f"  {finding.fix}")
    for finding in record.findings:
        if finding.severity != "note":
            progress.say(f"{finding.code}: {finding.message} {finding.fix or ''}")
    target = record.loudness
    if target.lowered_for is not None:
        progress.say(
            f"Target lowered from {target.target_lufs:.1f} to "
            f"{target.effective_target_lufs:.1f} LUFS for all: {target.lowered_for} "
            f"would pass {target.max_true_peak_dbtp:.1f} dBTP."
        )
    progress.say(
        f"{record.session['name']}: {counts['ok']} fine, {counts['flagged']} flagged, "
        f"{counts['rejected']} rejected"
    )


def _tell_reuse(keeper: Keeper, progress: Progress) -> None:
    made = len(keeper.decisions)
    if keeper.reused == made:
        progress.say(f"Nothing changed: all {made} results were used again.")
    elif keeper.reused:
        progress.say(f"{keeper.reused} of {made} results were used again.")
