"""Which other DI does a rejected or doubtful capture belong to?

The wrong take is the commonest reason for a rejection, and the right one mostly lies
beside it. A short DI is not always enough to reject one; its confidence is low then.
Only such captures, if anybody plays on them, are held against other files, so a sound
night pays nothing.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from os.path import realpath
from pathlib import Path

from pydantic import TypeAdapter

from pipeline.dsp.latency import DiReference, estimate_latency, prepare_di
from pipeline.errors import AudioError, ReampsError
from pipeline.files.audio import ChannelSource
from pipeline.files.names import AUDIO_SUFFIXES
from pipeline.files.playout import find_layouts
from pipeline.models.plan import CapturePlan
from pipeline.models.record import Finding
from pipeline.run.around import Sources, Surroundings
from pipeline.run.keeping import Step, Strand
from pipeline.run.tasks import LocateResult, fingerprint
from pipeline.stages.di import DiSpec, inspect_di
from pipeline.stages.latency import LOW_CONFIDENCE
from pipeline.stages.read import SourceSpec, open_source

MOST_OTHERS = 6
MOST_PAIRS = 24
"""So many files are tried, first those that are named like a DI; and so many times in
all, since each costs as much as finding a capture."""
_NAMED = re.compile(r"(?<![a-z])(di|dis|dry|direct)(?![a-z])", re.IGNORECASE)
_KEPT_S = 600
_FAR_MORE = 3.0
"""So many times what this DI explains, the other one must."""


@dataclass(frozen=True, slots=True)
class MatchTask:
    """Hold one capture against one other DI.

    Parameters
    ----------
    other : DiSpec
        The other DI.
    source : SourceSpec
        The capture, at that DI's rate.
    """

    other: DiSpec
    source: SourceSpec


@dataclass(frozen=True, slots=True)
class MatchResult:
    """What became of a `MatchTask`.

    Parameters
    ----------
    matches : bool
        Whether it is, beyond doubt, a capture of the other DI.
    explained_share, window_vote : float
        What that rests on, 0 to 1.
    """

    matches: bool
    explained_share: float
    window_vote: float


_NO = MatchResult(matches=False, explained_share=0.0, window_vote=0.0)
_ADAPTER = TypeAdapter(MatchResult)


@lru_cache(maxsize=1)
def _reference(other: DiSpec) -> DiReference | None:
    """Prepare another DI, once for all captures that are held against it in turn."""
    try:
        with ChannelSource(other.path, other.channel) as source:
            samples = source.read(other.start, other.frames)
            finite = not source.not_finite_seen
    except AudioError:
        return None
    return prepare_di(samples, other.sample_rate_hz) if finite else None


def match_capture(task: MatchTask) -> MatchResult:
    """Hold one capture against one other DI.

    Parameters
    ----------
    task : MatchTask
        The two.

    Returns
    -------
    MatchResult
        No match where one of them cannot be read.
    """
    reference = _reference(task.other)
    if reference is None:
        return _NO
    try:
        with open_source(task.source) as source:
            source.keep(_KEPT_S * source.sample_rate_hz)
            estimate = estimate_latency(reference, source)
    except AudioError:
        return _NO
    return MatchResult(
        estimate.verdict == "match" and estimate.confidence >= LOW_CONFIDENCE,
        max(estimate.explained_share, 0.0),
        estimate.window_vote,
    )


def find_others(sources: Sources) -> tuple[DiSpec, ...]:
    """Find files beside the DI that may be other DIs of the session.

    Parameters
    ----------
    sources : Sources
        The session's files.

    Returns
    -------
    tuple of DiSpec
        Audio files that the manifest does not name; six at most, first those that are
        named like a DI.
    """
    plan = sources.plan
    folder = plan.manifest_path.parent
    named = [plan.di_path, *(capture.path for capture in plan.captures)]
    for entry in (plan.manifest.loopback, plan.manifest.context):
        named += [folder / entry.file] if entry else []
    # Following links by `Path.resolve` fails where they lead in a circle.
    known = {realpath(path) for path in named}
    beside = [
        path
        for path in sorted(plan.di_path.parent.glob("*"))
        if path.suffix.lower() in AUDIO_SUFFIXES and realpath(path) not in known
    ]
    # A play-out file holds its DI: this session's own is no other DI.
    own = {
        layout.file for layout in find_layouts(plan.di_path.parent, sources.di_sha256)
    }
    beside = [path for path in beside if path.name not in own]
    beside.sort(key=lambda path: _NAMED.search(path.stem) is None)
    specs = []
    for path in beside[:MOST_OTHERS]:
        try:
            specs.append(inspect_di(path, 1))
        except ReampsError:
            continue
    return tuple(specs)


def match_others(
    sources: Sources, located: Mapping[str, LocateResult], around: Surroundings
) -> dict[str, Finding]:
    """Say of rejected and doubtful captures which other DI they belong to.

    Parameters
    ----------
    sources : Sources
        The session's files.
    located : mapping of str to LocateResult
        By capture id.
    around : Surroundings
        Workers, progress and what was kept.

    Returns
    -------
    dict of str to Finding
        By capture id, for those that match a file beside the DI.
    """
    explained = {
        capture.id: share
        for capture in sources.plan.captures
        if (share := _explained(located.get(capture.id))) is not None
    }
    others = find_others(sources) if explained else ()
    if not others:
        return {}
    doubtful = [c for c in sources.plan.captures if c.id in explained]
    tried = others[: max(1, MOST_PAIRS // len(doubtful))]
    pairs = [(capture, other) for other in tried for capture in doubtful[:MOST_PAIRS]]
    around.progress.begin("holding captures against other DIs", len(pairs))
    found = around.do(Strand("match", _steps(sources, pairs), match_capture, _ADAPTER))
    best: dict[str, tuple[MatchResult, Path]] = {}
    for capture, other in pairs:
        result = found.get(_pair_id(capture, other))
        if result is None or not result.matches:
            continue
        before = best.get(capture.id)
        least = before[0].explained_share if before else explained[capture.id]
        if result.explained_share > least:
            best[capture.id] = (result, other.path)
    return {id_: _finding(result, path) for id_, (result, path) in best.items()}


def _explained(result: LocateResult | None) -> float | None:
    """Share that another DI must explain; None where nobody doubts, or nobody plays."""
    codes = {finding.code for finding in result.findings} if result else set()
    if result is None or result.located is None or "muted" in codes:
        return None
    if not codes & {"not_this_di", "low_confidence"}:
        return None
    return _FAR_MORE * max(result.located.latency.explained_share or 0.0, 0.0)


def _pair_id(capture: CapturePlan, other: DiSpec) -> str:
    return f"{capture.id} with {other.path.name}"


def _steps(
    sources: Sources, pairs: Sequence[tuple[CapturePlan, DiSpec]]
) -> list[Step[MatchTask]]:
    hashes = {other.path: fingerprint(other.path).sha256 for _, other in pairs}
    steps = []
    for capture, other in pairs:
        source = SourceSpec(
            capture.path,
            capture.written.channel,
            other.sample_rate_hz,
            sources.prints[capture.id].seen,
        )
        parts = {
            **sources.parts(capture),
            "other DI": f"{hashes[other.path]}/{other.channel}",
        }
        steps.append(Step(_pair_id(capture, other), MatchTask(other, source), parts))
    return steps


def _finding(result: MatchResult, path: Path) -> Finding:
    return Finding(
        code="other_di",
        # It says what to do about the rejection, so it is told as loudly.
        severity="warn",
        message=(
            f"It is a capture of {path.name!r}, which lies beside the DI: that one "
            f"explains {result.explained_share:.0%} of it, and "
            f"{result.window_vote:.0%} of its windows agree on a lag."
        ),
        fix="List it in the manifest of that DI, or correct the file under [di].",
    )
