"""When did every capture of the night happen? Rounds of the latency search.

The amplifier's front end belongs to the rig, not to the capture: it is fitted on one
capture a rig and handed to the others. A capture whose riff repeats exactly is
searched again where the rest of the night lies.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from statistics import median

from pipeline.dsp.latency import ExpectedLag, FrontEnd
from pipeline.models.plan import CapturePlan
from pipeline.models.record import Finding
from pipeline.run.executor import Workers
from pipeline.run.progress import Progress
from pipeline.run.tasks import LocateResult, LocateTask, locate_capture
from pipeline.stages.di import DiSpec
from pipeline.stages.read import SourceSpec

_SURE = 0.9
_NIGHT_TOLERANCE_S = 0.05
"""Passes of one night that were started together differ by buffers and distances."""


def locate_all(
    captures: Sequence[CapturePlan],
    di: DiSpec,
    workers: Workers,
    progress: Progress,
) -> dict[str, LocateResult]:
    """Find every capture on the DI's time.

    Parameters
    ----------
    captures : sequence of CapturePlan
        The session's captures.
    di : DiSpec
        The DI.
    workers : Workers
        Who does the work.
    progress : Progress
        Who is told.

    Returns
    -------
    dict of str to LocateResult
        By capture id, in the manifest's order.
    """
    progress.begin("finding each capture", len(captures))
    leaders = list({capture.rig: capture for capture in reversed(captures)}.values())
    leading = {capture.id for capture in leaders}
    first = _round(
        leaders, [_task(capture, di) for capture in leaders], workers, progress
    )
    front_ends = {
        capture.rig: result.located.front_end
        for capture in leaders
        if (result := first[capture.id]).located
    }
    rest = [capture for capture in captures if capture.id not in leading]
    tasks = [_task(capture, di, front_ends.get(capture.rig)) for capture in rest]
    found = first | _round(rest, tasks, workers, progress)
    found |= _search_again(captures, di, found, workers)
    return {capture.id: found[capture.id] for capture in captures}


def _task(
    capture: CapturePlan,
    di: DiSpec,
    front_end: FrontEnd | None = None,
    expected: ExpectedLag | None = None,
) -> LocateTask:
    source = SourceSpec(capture.path, capture.written.channel, di.sample_rate_hz)
    return LocateTask(di, source, front_end, expected)


def _round(
    captures: Sequence[CapturePlan],
    tasks: Sequence[LocateTask],
    workers: Workers,
    progress: Progress,
) -> dict[str, LocateResult]:
    results = workers.map(locate_capture, tasks, progress.step)
    return {c.id: result for c, result in zip(captures, results, strict=True)}


def _search_again(
    captures: Sequence[CapturePlan],
    di: DiSpec,
    found: Mapping[str, LocateResult],
    workers: Workers,
) -> dict[str, LocateResult]:
    sure = [
        result.located.latency.samples
        for result in found.values()
        if result.located and result.located.latency.confidence >= _SURE
    ]
    doubtful = [
        capture
        for capture in captures
        if any(finding.code == "ambiguous" for finding in found[capture.id].findings)
    ]
    if not doubtful or not sure:
        return {}
    tolerance = _NIGHT_TOLERANCE_S * di.sample_rate_hz
    usual = median(sure)
    near = sum(abs(lag - usual) <= tolerance for lag in sure)
    if 2 * near <= len(sure):
        return {}
    tasks = [
        _task(capture, di, None, ExpectedLag(usual, tolerance)) for capture in doubtful
    ]
    results = workers.map(locate_capture, tasks, lambda: None)
    return {c.id: result for c, result in zip(doubtful, results, strict=True)}


def find_duplicates(
    captures: Sequence[CapturePlan], located: Mapping[str, LocateResult]
) -> dict[str, Finding]:
    """Find captures that are the same recording under another name.

    Parameters
    ----------
    captures : sequence of CapturePlan
        The session's captures.
    located : mapping of str to LocateResult
        With the hash of every source file.

    Returns
    -------
    dict of str to Finding
        For the later one of every two with equal files and channels.
    """
    keys = {
        capture.id: (result.sha256, capture.written.channel)
        for capture in captures
        if (result := located[capture.id]).sha256
    }
    count = Counter(keys.values())
    first: dict[tuple[str | None, int], str] = {}
    found = {}
    for id_, key in keys.items():
        if count[key] == 1:
            continue
        if key in first:
            found[id_] = Finding(
                code="duplicate",
                severity="warn",
                message=f"The very same recording as {first[key]!r}.",
                fix="Remove one of them, or correct the file or channel.",
            )
        first.setdefault(key, id_)
    return found
