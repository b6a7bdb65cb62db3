"""When did every capture of the night happen? Rounds of the latency search.

The amplifier's front end belongs to the rig, not to the capture: it is fitted on one
capture a rig and handed to the others. A capture whose riff repeats exactly is
searched again where the rest of the night lies.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from statistics import median

from pydantic import TypeAdapter

from pipeline.dsp.latency import ExpectedLag, FrontEnd
from pipeline.models.plan import CapturePlan
from pipeline.models.record import Finding
from pipeline.run.around import Sources, Surroundings
from pipeline.run.keeping import Step
from pipeline.run.tasks import Ahead, Early, LocateResult, LocateTask, locate_early

_SURE = 0.9
_NIGHT_TOLERANCE_S = 0.05
"""Passes of one night that were started together differ by buffers and distances."""
_ADAPTER = TypeAdapter(LocateResult)


def locate_all(
    sources: Sources, around: Surroundings, ahead: Mapping[str, Ahead]
) -> dict[str, LocateResult]:
    """Find every capture on the DI's time.

    Parameters
    ----------
    sources : Sources
        The session's files.
    around : Surroundings
        Workers, progress and what was kept.
    ahead : mapping of str to Ahead
        What workers may go on with, by capture id.

    Returns
    -------
    dict of str to LocateResult
        By capture id, in the manifest's order. While only deciding, what would have
        to be computed is left out.
    """
    captures = sources.plan.captures
    around.progress.begin("finding each capture", len(captures))
    found = {
        id_: LocateResult(print_.findings)
        for id_, print_ in sources.prints.items()
        if print_.sha256 is None
    }
    readable = [capture for capture in captures if capture.id not in found]
    leaders = list({capture.rig: capture for capture in reversed(readable)}.values())
    leading = {capture.id for capture in leaders}
    found |= _round(
        "locate", [_step(capture, sources) for capture in leaders], around, ahead
    )
    front_ends = {
        capture.rig: result.located.front_end
        for capture in leaders
        if (result := found.get(capture.id)) and result.located
    }
    rest = [
        _step(capture, sources, front_ends.get(capture.rig))
        for capture in readable
        if capture.id not in leading
    ]
    found |= _round("locate", rest, around, ahead)
    found |= _round("locate again", _search_again(sources, found), around, ahead)
    return {
        capture.id: found[capture.id] for capture in captures if capture.id in found
    }


def _step(
    capture: CapturePlan,
    sources: Sources,
    front_end: FrontEnd | None = None,
    expected: ExpectedLag | None = None,
) -> Step[LocateTask]:
    task = LocateTask(sources.di, sources.spec(capture), front_end, expected)
    parts = {
        **sources.parts(capture),
        "rig's front end": asdict(front_end) if front_end else None,
        "night's lag": asdict(expected) if expected else None,
    }
    return Step(capture.id, task, parts)


def _round(
    stage: str,
    steps: Sequence[Step[LocateTask]],
    around: Surroundings,
    ahead: Mapping[str, Ahead],
) -> dict[str, LocateResult]:
    return around.keeper.map(
        stage,
        [
            Step(step.id, Early(step.task, ahead.get(step.id)), step.parts)
            for step in steps
        ],
        locate_early,
        adapter=_ADAPTER,
        workers=around.workers,
        progress=around.progress,
    )


def _search_again(
    sources: Sources, found: Mapping[str, LocateResult]
) -> list[Step[LocateTask]]:
    sure = [
        result.located.latency.samples
        for result in found.values()
        if result.located and result.located.latency.confidence >= _SURE
    ]
    doubtful = [
        capture
        for capture in sources.plan.captures
        if (result := found.get(capture.id))
        and any(finding.code == "ambiguous" for finding in result.findings)
    ]
    if not doubtful or not sure:
        return []
    tolerance = _NIGHT_TOLERANCE_S * sources.di.sample_rate_hz
    usual = median(sure)
    near = sum(abs(lag - usual) <= tolerance for lag in sure)
    if 2 * near <= len(sure):
        return []
    expected = ExpectedLag(usual, tolerance)
    return [_step(capture, sources, None, expected) for capture in doubtful]


def find_duplicates(sources: Sources) -> dict[str, Finding]:
    """Find captures that are the same recording under another name.

    Parameters
    ----------
    sources : Sources
        With the hash of every source file.

    Returns
    -------
    dict of str to Finding
        For the later one of every two with equal files and channels.
    """
    keys = {
        capture.id: (print_.sha256, capture.written.channel)
        for capture in sources.plan.captures
        if (print_ := sources.prints[capture.id]).sha256
    }
    count = Counter(keys.values())
    first: dict[tuple[str | None, int], str] = {}
    found = {}
    for id_, key in keys.items():
        if count[key] > 1 and key in first:
            found[id_] = Finding(
                code="duplicate",
                severity="warn",
                message=f"The very same recording as {first[key]!r}.",
                fix="Remove one of them, or correct the file or channel.",
            )
        first.setdefault(key, id_)
    return found
