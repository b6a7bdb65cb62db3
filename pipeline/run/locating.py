"""When did every capture of the night happen?

The amplifier's front end belongs to the rig, not to the capture: it is fitted on one
capture a rig and handed to the others as soon as it is known. A capture whose riff
repeats exactly is searched again where the rest of the night lies.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict
from statistics import median

from pydantic import TypeAdapter

from pipeline.dsp.latency import ExpectedLag, FrontEnd
from pipeline.models.plan import DI_NAME, CapturePlan
from pipeline.models.record import DiResult, Finding
from pipeline.run.around import Sources, Surroundings
from pipeline.run.keeping import Step, Strand
from pipeline.run.tasks import (
    Ahead,
    DescribeTask,
    Early,
    LocateResult,
    LocateTask,
    describe_early,
    locate_early,
    sound,
)

_SURE = 0.9
_NIGHT_TOLERANCE_S = 0.05
"""Passes of one night that were started together differ by buffers and distances."""
_ADAPTER = TypeAdapter(LocateResult)
_DI_RESULT = TypeAdapter(DiResult)


def locate_all(
    sources: Sources, around: Surroundings, ahead: Mapping[str, Ahead]
) -> tuple[DiResult | None, dict[str, LocateResult]]:
    """Describe the DI, and find every capture on its time.

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
    di : DiResult or None
        Measures of the DI.
    found : dict of str to LocateResult
        By capture id, in the manifest's order. While only deciding, what would have
        to be computed is left out.
    """
    captures = sources.plan.captures
    around.progress.begin("finding each capture", len(captures) + 1)
    found = {
        id_: LocateResult(print_.findings)
        for id_, print_ in sources.prints.items()
        if print_.sha256 is None
    }
    readable = [capture for capture in captures if capture.id not in found]
    rigs: dict[str, list[CapturePlan]] = {}
    for capture in readable:
        rigs.setdefault(capture.rig, []).append(capture)
    leaders = {members[0].id: members for members in rigs.values()}

    def follow(id_: str, result: LocateResult | None) -> list[Step[Early[LocateTask]]]:
        located = result.located if result else None
        front_end = located.front_end if located else None
        followers = leaders.get(id_, [])[1:]
        return [_step(c, sources, ahead, front_end=front_end) for c in followers]

    first = [_step(members[0], sources, ahead) for members in rigs.values()]
    strand = Strand("locate", first, locate_early, _ADAPTER, sound, then=follow)
    # The DI by those who have no first capture to do.
    located, described = around.keeper.map_together(
        [strand, _description(sources, ahead)], around.workers, around.progress
    )
    found |= located
    again = _search_again(sources, found, ahead)
    found |= around.do(Strand("locate again", again, locate_early, _ADAPTER, sound))
    ordered = (capture.id for capture in captures)
    return described.get("DI"), {id_: found[id_] for id_ in ordered if id_ in found}


def _description(
    sources: Sources, ahead: Mapping[str, Ahead]
) -> Strand[Early[DescribeTask], DiResult]:
    task = DescribeTask(sources.di, sources.di_sha256)
    step = Step("DI", Early(task, ahead.get(DI_NAME)), sources.di_parts())
    return Strand("describe", [step], describe_early, _DI_RESULT)


def _step(
    capture: CapturePlan,
    sources: Sources,
    ahead: Mapping[str, Ahead],
    *,
    front_end: FrontEnd | None = None,
    expected: ExpectedLag | None = None,
) -> Step[Early[LocateTask]]:
    task = LocateTask(sources.di, sources.spec(capture), front_end, expected)
    parts = {
        **sources.parts(capture),
        "rig's front end": asdict(front_end) if front_end else None,
        "night's lag": asdict(expected) if expected else None,
    }
    return Step(capture.id, Early(task, ahead.get(capture.id)), parts)


def _search_again(
    sources: Sources, found: Mapping[str, LocateResult], ahead: Mapping[str, Ahead]
) -> list[Step[Early[LocateTask]]]:
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
    return [_step(c, sources, ahead, expected=expected) for c in doubtful]


def find_duplicates(sources: Sources) -> dict[str, Finding]:
    """Find captures that are the DI, or the same recording under another name.

    Parameters
    ----------
    sources : Sources
        With the hash of every source file.

    Returns
    -------
    dict of str to Finding
        For the later one of every two with equal files and channels.
    """
    di_key = (sources.di_sha256, sources.plan.manifest.di.channel)
    keys = {
        capture.id: (print_.sha256, capture.written.channel)
        for capture in sources.plan.captures
        if (print_ := sources.prints[capture.id]).sha256
    }
    count = Counter(keys.values())
    first: dict[tuple[str | None, int], str] = {}
    found = {}
    for id_, key in keys.items():
        if key == di_key:
            found[id_] = Finding(
                code="duplicate",
                severity="warn",
                message="The DI itself, not a recording of it through the amplifier.",
                fix="Remove it, or correct the file or channel.",
            )
        elif count[key] > 1 and key in first:
            found[id_] = Finding(
                code="duplicate",
                severity="warn",
                message=f"The very same recording as {first[key]!r}.",
                fix="Remove one of them, or correct the file or channel.",
            )
        first.setdefault(key, id_)
    return found
