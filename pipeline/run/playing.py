"""Was a play-out file recorded? Its markers and its sweep, capture by capture."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from pydantic import JsonValue, TypeAdapter

from pipeline.errors import AudioError, ReampsError
from pipeline.files.playout import find_layouts, own_layout, read_layout, sidecar_of
from pipeline.models.plan import CapturePlan, Plan
from pipeline.models.playout import Layout, PlayoutReading
from pipeline.models.record import Finding
from pipeline.run.around import Played, Sources, Surroundings
from pipeline.run.keeping import Parts, Step, Strand
from pipeline.run.tasks import LocateResult
from pipeline.stages.latency import drift_to_correct
from pipeline.stages.playout import (
    Expected,
    describe_playout,
    judge_playout,
    judge_stranger,
    read_playout,
)
from pipeline.stages.read import SourceSpec, open_source, refusal

_LOOPBACK = "loopback"
_DOUBTS = frozenset({"ambiguous", "low_confidence", "second_path", "echo"})


@dataclass(frozen=True, slots=True)
class PlayoutTask:
    """Read the markers and the sweep of one capture.

    Parameters
    ----------
    source : SourceSpec
        The capture.
    layout : Layout
        What was played.
    expected : Expected
        Where the music lies.
    named : bool
        Whether the manifest says that it was played.
    stranger : bool
        Whether its music was not recognised.
    """

    source: SourceSpec
    layout: Layout
    expected: Expected
    named: bool
    stranger: bool = False


@dataclass(frozen=True, slots=True)
class PlayoutResult:
    """What became of a `PlayoutTask`.

    Parameters
    ----------
    reading : PlayoutReading or None
        None where no markers were found.
    findings : tuple of Finding
        Where markers and music do not agree.
    """

    reading: PlayoutReading | None
    findings: tuple[Finding, ...]


_ADAPTER = TypeAdapter(PlayoutResult)


def read_capture(task: PlayoutTask) -> PlayoutResult:
    """Read the markers and the sweep of one capture.

    Parameters
    ----------
    task : PlayoutTask
        What to read.

    Returns
    -------
    PlayoutResult
        For the record.
    """
    try:
        with open_source(task.source) as source:
            heard = read_playout(source, task.layout, task.expected)
            if task.stranger:
                return PlayoutResult(None, judge_stranger(heard, task.layout))
            reading = describe_playout(heard, task.layout)
    except AudioError as error:
        return PlayoutResult(None, (refusal(error),))
    found = judge_playout(reading, task.layout, named=task.named)
    return PlayoutResult(reading, found)


def find_played(plan: Plan, di_sha256: str) -> Played:
    """Find the sidecar of what was played.

    Parameters
    ----------
    plan : Plan
        What the session is.
    di_sha256 : str
        Hash of the DI's file.

    Returns
    -------
    Played
        The file that the manifest names, or the DI's own sidecar, or the one beside
        the DI that was made of it. A `ReampsError` says why the named one cannot be.
    """
    channel = plan.manifest.di.channel
    if plan.playout_path is not None and own_layout(plan.di_path) is None:
        return Played(_named(plan.playout_path, di_sha256, channel), named=True)
    return played_beside(plan.di_path, di_sha256, channel)


def played_beside(di: Path, di_sha256: str, channel: int) -> Played:
    """Find the sidecar of what was played, without a manifest.

    Parameters
    ----------
    di : Path
        The DI, or a play-out file.
    di_sha256 : str
        Hash of that file.
    channel : int
        Of the DI.

    Returns
    -------
    Played
        The file's own sidecar, or the one beside it that was made of this DI.
    """
    own = own_layout(di)
    if own is not None:
        return Played(own, named=True)
    found = [
        layout
        for layout in find_layouts(di.parent, di_sha256)
        if layout.di_channel == channel
    ]
    if len({layout.model_copy(update={"file": ""}) for layout in found}) > 1:
        return Played(findings=(_several(found),))
    return Played(found[0] if found else None)


def _named(audio: Path, di_sha256: str, channel: int) -> Layout:
    layout = read_layout(sidecar_of(audio))
    if (layout.di_sha256, layout.di_channel) != (di_sha256, channel):
        message = (
            f"{audio}: was made of {layout.di_file}, channel {layout.di_channel}, and "
            "not of the DI as it is now. Name the right play-out file in [di], or "
            "leave the key out."
        )
        raise ReampsError(message)
    return layout


def _several(found: list[Layout]) -> Finding:
    names = ", ".join(layout.file for layout in found)
    return Finding(
        code="several_playouts",
        severity="note",
        message=(
            f"Several play-out files were made of this DI ({names}), so none was used."
        ),
        fix='Name the one that was played: [di] playout = "...".',
    )


def read_playouts(
    sources: Sources, located: Mapping[str, LocateResult], around: Surroundings
) -> dict[str, PlayoutResult]:
    """Read the markers and the sweeps of a session.

    Parameters
    ----------
    sources : Sources
        The session's files.
    located : mapping of str to LocateResult
        Where the music lies.
    around : Surroundings
        Workers, progress and what was kept.

    Returns
    -------
    dict of str to PlayoutResult
        Of the usable captures and of those whose music was not recognised; empty
        where no play-out file is known.
    """
    layout = sources.played.layout
    if layout is None:
        return {}
    steps = [
        _step(capture, layout, sources, located[capture.id])
        for capture in sources.plan.captures
        if capture.id in located and _worth_reading(located[capture.id])
    ]
    around.progress.begin("reading the markers", len(steps))
    return _map(steps, around)


def read_loopback(
    sources: Sources,
    spec: SourceSpec,
    parts: Parts,
    around: Surroundings,
    *,
    lag_samples: float,
) -> int:
    """Say how much of a loopback recording's lag was played ahead of the DI.

    Parameters
    ----------
    sources : Sources
        The session's files.
    spec : SourceSpec
        The loopback recording.
    parts : mapping
        What everything that is computed of it depends on.
    around : Surroundings
        Workers, progress and what was kept.
    lag_samples : float
        Where the music lies in it.

    Returns
    -------
    int
        Samples; 0 where the DI alone was played.
    """
    layout = sources.played.layout
    if layout is None:
        return 0
    task = PlayoutTask(spec, layout, Expected(lag_samples), named=False)
    step = Step(_LOOPBACK, task, {**parts, **_task_parts(task)})
    result = _map([step], around).get(_LOOPBACK)
    return layout.di_start if result is not None and result.reading else 0


def _map(
    steps: Sequence[Step[PlayoutTask]], around: Surroundings
) -> dict[str, PlayoutResult]:
    return around.do(Strand("play-out", steps, read_capture, _ADAPTER))


def _task_parts(task: PlayoutTask) -> dict[str, JsonValue]:
    return {
        "play-out file": task.layout.model_dump(mode="json"),
        "lag": asdict(task.expected),
        "named in the manifest": task.named,
        "music recognised": not task.stranger,
    }


def _worth_reading(result: LocateResult) -> bool:
    return not result.rejected or _is_stranger(result)


def _is_stranger(result: LocateResult) -> bool:
    return any(finding.code == "not_this_di" for finding in result.findings)


def marker_task(
    source: SourceSpec, layout: Layout, result: LocateResult, *, named: bool
) -> PlayoutTask:
    """Say where a capture's markers are to be looked for.

    Parameters
    ----------
    source : SourceSpec
        The capture.
    layout : Layout
        What was played.
    result : LocateResult
        Where its music lies.
    named : bool
        Whether it is known that this was played.

    Returns
    -------
    PlayoutTask
        For `read_capture`.
    """
    if _is_stranger(result):
        return PlayoutTask(
            source, layout, Expected(doubtful=True), named, stranger=True
        )
    expected = Expected()
    if result.located is not None:
        latency = result.located.latency
        seconds = layout.di_frames / layout.sample_rate_hz
        expected = Expected(
            latency.samples,
            doubtful=any(finding.code in _DOUBTS for finding in result.findings),
            steady=not latency.jumps,
            drift_ppm=drift_to_correct(latency.drift_ppm, seconds),
        )
    return PlayoutTask(source, layout, expected, named)


def _step(
    capture: CapturePlan, layout: Layout, sources: Sources, result: LocateResult
) -> Step[PlayoutTask]:
    named = sources.played.named
    task = marker_task(sources.spec(capture), layout, result, named=named)
    return Step(capture.id, task, {**sources.parts(capture), **_task_parts(task)})
