"""Every capture found, cut and measured: what a session knows before it has a level."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import JsonValue, TypeAdapter

from pipeline.errors import ReampsError
from pipeline.models.plan import CapturePlan, Plan
from pipeline.models.record import DiResult, Finding, Jump
from pipeline.run.around import Sources, Surroundings, bench_file
from pipeline.run.keeping import Step
from pipeline.run.locating import find_duplicates, locate_all
from pipeline.run.tasks import (
    Cut,
    DescribeTask,
    Fingerprint,
    LocateResult,
    MeasureResult,
    MeasureTask,
    describe_di,
    fingerprint,
    measure_capture,
)
from pipeline.stages.align import Lagged, decide_shifts, judge_buffer, judge_polarity
from pipeline.stages.di import inspect_di
from pipeline.stages.latency import drift_to_correct
from pipeline.units import speed_of_sound_m_s

_DI_RESULT = TypeAdapter(DiResult)
_MEASURE_RESULT = TypeAdapter(MeasureResult)
_ORDER = {"reject": 0, "warn": 1, "note": 2}


@dataclass(frozen=True, slots=True)
class Judged:
    """A session after every capture was found and measured.

    Parameters
    ----------
    sources : Sources
        The files.
    di_result : DiResult or None
        Measures of the DI; None while only deciding.
    located : dict of str to LocateResult
        By capture id.
    cuts : dict of str to Cut
        Of the captures that are this DI.
    measured : dict of str to MeasureResult
        Of the same.
    night : dict of str to tuple of Finding
        What only the whole night shows.
    """

    sources: Sources
    di_result: DiResult | None
    located: Mapping[str, LocateResult]
    cuts: Mapping[str, Cut]
    measured: Mapping[str, MeasureResult]
    night: Mapping[str, tuple[Finding, ...]]

    @property
    def plan(self) -> Plan:
        """What the session is."""
        return self.sources.plan

    def findings(self, id_: str) -> tuple[Finding, ...]:
        """All that was found of one capture, the worst first."""
        measured = self.measured.get(id_)
        found = (
            *self.located[id_].findings,
            *self.night.get(id_, ()),
            *(measured.findings if measured else ()),
        )
        return tuple(sorted(found, key=lambda finding: _ORDER[finding.severity]))

    def usable(self, id_: str) -> bool:
        """Whether a capture reaches the output."""
        return id_ in self.measured and not any(
            finding.severity == "reject" for finding in self.findings(id_)
        )


def judge_session(plan: Plan, around: Surroundings, bench: Path | None) -> Judged:
    """Look at every file, find every capture, cut and measure it.

    Parameters
    ----------
    plan : Plan
        What the session is.
    around : Surroundings
        Workers, progress and what was kept.
    bench : Path or None
        Folder for aligned samples; None leaves none.

    Returns
    -------
    Judged
        What the session knows before it has a level. A `ReampsError` says why the DI
        cannot be used.
    """
    sources = _look(plan, around)
    di_result = _describe(sources, around)
    located = locate_all(sources, around)
    lagged = [
        Lagged(
            capture.id,
            capture.pass_id,
            result.located.latency,
            _flight(capture, sources),
        )
        for capture in plan.captures
        if (result := located.get(capture.id))
        and result.located
        and not result.rejected
    ]
    shifts = decide_shifts(lagged, plan.manifest.align.mode)
    cuts = {
        capture.id: _cut(
            capture, sources, located[capture.id], shifts[capture.id], bench
        )
        for capture in plan.captures
        if capture.id in shifts
    }
    measured = _measure(sources, located, cuts, around)
    night: dict[str, tuple[Finding, ...]] = {}
    for found in (
        find_duplicates(sources),
        judge_polarity(lagged),
        judge_buffer(lagged),
    ):
        for id_, finding in found.items():
            night[id_] = (*night.get(id_, ()), finding)
    return Judged(sources, di_result, located, cuts, measured, night)


def _flight(capture: CapturePlan, sources: Sources) -> float:
    """Time of flight from the grille in samples, as far as the manifest tells."""
    metres = (capture.written.distance_mm or 0.0) / 1000.0
    temperature = sources.plan.manifest.session.temperature_c
    return metres / speed_of_sound_m_s(temperature) * sources.di.sample_rate_hz


def _look(plan: Plan, around: Surroundings) -> Sources:
    di = inspect_di(plan.di_path, plan.manifest.di.channel)
    paths = list(dict.fromkeys([plan.di_path, *(c.path for c in plan.captures)]))
    prints: dict[Path, Fingerprint] = {}

    def done(index: int, print_: Fingerprint) -> None:
        prints[paths[index]] = print_
        around.progress.step()

    around.progress.begin("looking at the files", len(paths))
    around.workers.map(fingerprint, paths, done)
    di_print = prints[plan.di_path]
    if di_print.sha256 is None:
        message = f"The DI cannot be used. {di_print.findings[0].message}"
        raise ReampsError(message)
    of_captures = {capture.id: prints[capture.path] for capture in plan.captures}
    return Sources(plan, di, di_print.sha256, of_captures)


def _describe(sources: Sources, around: Surroundings) -> DiResult | None:
    step = Step("DI", DescribeTask(sources.di, sources.di_sha256), sources.di_parts())
    results = around.keeper.map(
        "describe",
        [step],
        describe_di,
        adapter=_DI_RESULT,
        workers=around.workers,
        progress=around.progress,
    )
    return results.get("DI")


def _cut(  # noqa: PLR0917 (one private caller)
    capture: CapturePlan,
    sources: Sources,
    result: LocateResult,
    shift: float,
    bench: Path | None,
) -> Cut:
    latency = result.located.latency if result.located else None
    drift = latency.drift_ppm if latency else None
    jumps: tuple[Jump, ...] = latency.jumps if latency else ()
    seconds = sources.di.frames / sources.di.sample_rate_hz
    return Cut(
        di=sources.di,
        source=sources.spec(capture),
        shift_samples=shift,
        drift_ppm=drift_to_correct(drift, seconds),
        jumps=jumps,
        bench=bench_file(bench, capture.id) if bench else None,
    )


def cut_parts(sources: Sources, capture: CapturePlan, cut: Cut) -> dict[str, JsonValue]:
    """Name everything that a capture's aligned samples depend on.

    Parameters
    ----------
    sources : Sources
        The session's files.
    capture : CapturePlan
        The capture.
    cut : Cut
        How it is cut.

    Returns
    -------
    dict
        For a key.
    """
    return {
        **sources.parts(capture),
        "shift": cut.shift_samples,
        "drift": cut.drift_ppm,
        "jumps": [[jump.at_s, jump.samples] for jump in cut.jumps],
    }


def _measure(
    sources: Sources,
    located: Mapping[str, LocateResult],
    cuts: Mapping[str, Cut],
    around: Surroundings,
) -> dict[str, MeasureResult]:
    steps = [
        Step(
            capture.id,
            MeasureTask(cuts[capture.id], located[capture.id].frames),
            cut_parts(sources, capture, cuts[capture.id]),
        )
        for capture in sources.plan.captures
        if capture.id in cuts
    ]
    around.progress.begin("measuring", len(steps))
    return around.keeper.map(
        "measure",
        steps,
        measure_capture,
        adapter=_MEASURE_RESULT,
        workers=around.workers,
        progress=around.progress,
    )
