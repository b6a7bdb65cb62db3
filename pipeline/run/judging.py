"""Every capture found, cut and measured: what a session knows before it has a level."""

from collections import Counter
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import TypeAdapter

from pipeline.errors import ReampsError
from pipeline.files.bench import bench_file
from pipeline.models.plan import CapturePlan, Plan
from pipeline.models.record import DiResult, Finding, Latency, Loopback
from pipeline.run.around import Sources, Surroundings
from pipeline.run.keeping import Step, Strand
from pipeline.run.locating import find_duplicates, locate_all
from pipeline.run.others import match_others
from pipeline.run.outputs import plan_ahead
from pipeline.run.playing import (
    PlayoutResult,
    find_played,
    read_loopback,
    read_playouts,
)
from pipeline.run.relating import cut_parts, relate_all
from pipeline.run.tasks import (
    Ahead,
    Cut,
    Early,
    Fingerprint,
    LocateResult,
    LocateTask,
    LoopResult,
    MeasureResult,
    MeasureTask,
    cut_of,
    fingerprint,
    locate_loopback,
    measure_early,
    sound,
)
from pipeline.stages.align import (
    LEAST_PASSES,
    Lagged,
    decide_shifts,
    judge_buffer,
    judge_polarity,
)
from pipeline.stages.di import inspect_di
from pipeline.stages.read import SourceSpec
from pipeline.stages.relate import Relation
from pipeline.units import mm_from_samples, speed_of_sound_m_s

_LOOP_RESULT = TypeAdapter(LoopResult)
_MEASURE_RESULT = TypeAdapter(MeasureResult)
_SURE_PAIR = 0.5
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
    pass_cuts : dict of str to Cut
        The same with the mutual timing of each pass kept.
    relations : dict of str to tuple of Relation
        Microphones of a pass, by pass.
    measured : dict of str to MeasureResult
        Of the same.
    night : dict of str to tuple of Finding
        What only the whole night shows.
    ahead : dict of str to Ahead
        What workers could go on with, by capture id and under the DI's name.
    playouts : dict of str to PlayoutResult
        Markers and sweeps, where a play-out file was recorded.
    loopback : Loopback or None
        The electronics' part of the latency.
    session_findings : tuple of Finding
        What concerns no single capture.
    """

    sources: Sources
    di_result: DiResult | None
    located: Mapping[str, LocateResult]
    cuts: Mapping[str, Cut]
    pass_cuts: Mapping[str, Cut]
    relations: Mapping[str, tuple[Relation, ...]]
    measured: Mapping[str, MeasureResult]
    night: Mapping[str, tuple[Finding, ...]]
    ahead: Mapping[str, Ahead] = field(default_factory=dict)
    playouts: Mapping[str, PlayoutResult] = field(default_factory=dict)
    loopback: Loopback | None = None
    session_findings: tuple[Finding, ...] = ()

    @property
    def plan(self) -> Plan:
        """What the session is."""
        return self.sources.plan

    def findings(self, id_: str) -> tuple[Finding, ...]:
        """All that was found of one capture, the worst first."""
        measured, playout = self.measured.get(id_), self.playouts.get(id_)
        found = (
            *self.located[id_].findings,
            *(playout.findings if playout else ()),
            *self.night.get(id_, ()),
            *(measured.findings if measured else ()),
        )
        return tuple(sorted(found, key=lambda finding: _ORDER[finding.severity]))

    def latency(self, id_: str) -> Latency | None:
        """Lag of a capture, with its way through the air where that is known."""
        located = self.located[id_].located
        if located is None or self.located[id_].rejected:
            return None
        if self.loopback is None:
            return located.latency
        playout = self.playouts.get(id_)
        ahead = playout.reading.lead_samples if playout and playout.reading else 0
        acoustic = located.latency.samples - ahead - self.loopback.samples
        session = self.plan.manifest.session
        millimetres = mm_from_samples(
            acoustic, self.sources.di.sample_rate_hz, session.temperature_c
        )
        return located.latency.model_copy(update={"acoustic_mm": millimetres})

    def usable(self, id_: str) -> bool:
        """Whether a capture reaches the output."""
        return id_ in self.measured and not any(
            finding.severity == "reject" for finding in self.findings(id_)
        )


def judge_session(
    plan: Plan,
    around: Surroundings,
    folder: Path | None = None,
    bench: Path | None = None,
) -> Judged:
    """Look at every file, find every capture, cut and measure it.

    Parameters
    ----------
    plan : Plan
        What the session is.
    around : Surroundings
        Workers, progress and what was kept.
    folder : Path, optional
        The run's folder; without it nothing is made ready to be written.
    bench : Path, optional
        Where tasks leave samples and results for each other.

    Returns
    -------
    Judged
        What the session knows before it has a level. A `ReampsError` says why the DI
        cannot be used.
    """
    sources = _look(plan, around)
    ahead = plan_ahead(sources, folder, bench, around.trims)
    di_result, located = locate_all(sources, around, ahead)
    often = _often(plan)
    lagged = [
        Lagged(
            capture.id,
            capture.pass_id,
            result.located.latency,
            _flight(capture, sources),
            stand=_stand(capture, often),
            known=_stand_known(capture),
        )
        for capture in plan.captures
        if (result := located.get(capture.id))
        and result.located
        and not result.rejected
    ]
    pass_cuts = _cuts(sources, located, decide_shifts(lagged, "pass"), bench)
    relations = relate_all(sources, pass_cuts, around)
    cuts = pass_cuts
    if plan.manifest.align.mode == "mic":
        shifts = settle_mics(decide_shifts(lagged, "mic"), lagged, relations)
        cuts = _cuts(sources, located, shifts, None)
    measured = _measure(sources, located, cuts, around, ahead=ahead)
    night: dict[str, tuple[Finding, ...]] = {}
    for found in (
        find_duplicates(sources),
        judge_polarity(lagged),
        judge_buffer(lagged),
        match_others(sources, located, around),
    ):
        for id_, finding in found.items():
            night[id_] = (*night.get(id_, ()), finding)
    loopback, loopback_findings = _loop(sources, around)
    return Judged(
        sources=sources,
        di_result=di_result,
        located=located,
        cuts=cuts,
        pass_cuts=pass_cuts,
        relations=relations,
        measured=measured,
        night=night,
        ahead=ahead,
        playouts=read_playouts(sources, located, around),
        loopback=loopback,
        session_findings=(
            *plan.near_misses,
            *(di_result.findings if di_result else ()),
            *sources.played.findings,
            *loopback_findings,
        ),
    )


def _flight(capture: CapturePlan, sources: Sources) -> float:
    """Time of flight from the grille in samples, as far as the manifest tells."""
    metres = (capture.written.distance_mm or 0.0) / 1000.0
    temperature = sources.plan.manifest.session.temperature_c
    return metres / speed_of_sound_m_s(temperature) * sources.di.sample_rate_hz


def _often(plan: Plan) -> set[str | None]:
    """Find mics that were used in passes enough to be compared with themselves."""
    used = {(capture.written.mic, capture.pass_id) for capture in plan.captures}
    passes = Counter(mic for mic, _ in used)
    return {mic for mic, count in passes.items() if count >= LEAST_PASSES}


def _stand(capture: CapturePlan, often: Container[str | None]) -> str:
    """Name what must be equal for two lags to be compared, but for the buffers."""
    written = capture.written
    if written.distance_mm is not None:
        # Its time of flight is taken out, wherever it stood; how deep the capsule sits
        # behind the grille that the distance is measured to, is each mic's own.
        return f"at a known distance, {written.mic if written.mic in often else ''}"
    return repr((written.mic, written.channel, written.speaker, written.position))


def _stand_known(capture: CapturePlan) -> bool:
    written = capture.written
    return written.distance_mm is not None or written.mic is not None


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
    known = (prints[capture.path].sha256 for capture in plan.captures)
    around.keeper.claim(plan.manifest_path, [sha256 for sha256 in known if sha256])
    of_captures = {capture.id: prints[capture.path] for capture in plan.captures}
    played = find_played(plan, di_print.sha256)
    return Sources(plan, di, di_print.sha256, of_captures, played)


def _loop(
    sources: Sources, around: Surroundings
) -> tuple[Loopback | None, tuple[Finding, ...]]:
    """Find the loopback recording on the DI's time: the electronics alone."""
    written = sources.plan.manifest.loopback
    if written is None:
        return None, ()
    path = sources.plan.manifest_path.parent / written.file
    print_ = fingerprint(path)
    if print_.sha256 is None:
        return None, print_.findings
    rate = sources.di.sample_rate_hz
    spec = SourceSpec(path, written.channel, rate, print_.seen)
    parts = {
        **sources.di_parts(),
        "source": print_.sha256,
        "channel": written.channel,
    }
    found = around.do(
        Strand(
            "loopback",
            [Step("loopback", LocateTask(sources.di, spec), parts)],
            locate_loopback,
            _LOOP_RESULT,
        )
    ).get("loopback")
    if found is None or found.samples is None:
        return None, found.findings if found else ()
    ahead = read_loopback(sources, spec, parts, around, lag_samples=found.samples)
    loopback = Loopback(
        file=written.file, samples=found.samples - ahead, polarity=found.polarity
    )
    return loopback, ()


def settle_mics(
    shifts: Mapping[str, float],
    lagged: Sequence[Lagged],
    relations: Mapping[str, tuple[Relation, ...]],
) -> dict[str, float]:
    """Refine the shifts of single mics by what was measured mic to mic.

    Parameters
    ----------
    shifts : mapping of str to float
        Each mic's own lag.
    lagged : sequence of Lagged
        The usable captures.
    relations : mapping of str to tuple of Relation
        By pass: more exact than the difference of two lags.

    Returns
    -------
    dict of str to float
        The earliest mic of a pass keeps its own lag; the others follow it at the
        measured delay, where that is sure.
    """
    settled = dict(shifts)
    for pass_id, members in relations.items():
        of_pass = [c.id for c in lagged if c.pass_id == pass_id]
        anchor = min(of_pass, key=lambda id_: shifts[id_])
        for relation in members:
            if relation.confidence < _SURE_PAIR:
                continue
            if relation.a == anchor:
                settled[relation.b] = shifts[anchor] + relation.delay_samples
            elif relation.b == anchor:
                settled[relation.a] = shifts[anchor] - relation.delay_samples
    return settled


def _cuts(
    sources: Sources,
    located: Mapping[str, LocateResult],
    shifts: Mapping[str, float],
    bench: Path | None,
) -> dict[str, Cut]:
    taken = _taken_often(sources.plan, shifts)
    cuts = {}
    for capture in sources.plan.captures:
        result = located.get(capture.id)
        if capture.id not in shifts or result is None or result.located is None:
            continue
        left = bench_file(bench, capture.id) if bench and capture.id in taken else None
        cuts[capture.id] = cut_of(
            sources.di,
            sources.spec(capture),
            result.located.latency,
            shift_samples=shifts[capture.id],
            bench=left,
        )
    return cuts


def _taken_often(plan: Plan, found: Container[str]) -> set[str]:
    """Find captures whose aligned samples more than their own output asks for."""
    # To cut a capture twice costs less than to write its samples and read them.
    mics = Counter(one.pass_id for one in plan.captures if one.id in found)
    asked = {part.capture for blend in plan.manifest.blend for part in blend.parts}
    return asked | {
        capture.id for capture in plan.captures if mics[capture.pass_id] > 1
    }


def _measure(
    sources: Sources,
    located: Mapping[str, LocateResult],
    cuts: Mapping[str, Cut],
    around: Surroundings,
    *,
    ahead: Mapping[str, Ahead],
) -> dict[str, MeasureResult]:
    steps = [
        Step(
            capture.id,
            Early(
                MeasureTask(cuts[capture.id], located[capture.id].frames),
                ahead.get(capture.id),
            ),
            cut_parts(sources, capture, cuts[capture.id]),
        )
        for capture in sources.plan.captures
        if capture.id in cuts
    ]
    around.progress.begin("measuring", len(steps))
    return around.do(Strand("measure", steps, measure_early, _MEASURE_RESULT, sound))
