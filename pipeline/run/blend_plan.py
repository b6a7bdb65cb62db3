"""Which sums of two or more microphones of one pass are made, and how."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.dsp.mix import (
    LEAST_CONFIDENCE,
    ROOM_MM,
    MicSpectra,
    MixPart,
    gather_pairs,
)
from pipeline.files.bench import bench_file
from pipeline.models.manifest import Blend as WrittenBlend
from pipeline.models.manifest import Wanted
from pipeline.models.record import Finding, Polarity
from pipeline.run.around import Sources
from pipeline.run.relating import Cuts
from pipeline.run.tasks import BlendTask, Part
from pipeline.run.wanted import Wishes, not_blended
from pipeline.stages.blend import Tone, gains_near, sum_loss_db
from pipeline.stages.relate import Relation

_RATIOS_DB = (-6.0, 0.0, 6.0)


@dataclass(frozen=True, slots=True)
class BlendPlan:
    """A blend to be made.

    Parameters
    ----------
    id : str
        Its name.
    pass_id : str
        Its pass.
    reason : str
        Why it is made.
    aligned : bool
        Whether the parts were moved onto the first.
    captures : tuple of str
        Ids of its parts.
    task : BlendTask
        How it is summed.
    wanted : Wanted or None
        The tone that its gains were searched for.
    sum_loss_db : float or None
        What the sum loses as predicted; None where its parts were not related.
    other_loss_db : float or None
        What it would lose aligned, or, of an aligned one, as placed; None where
        that is not known.
    """

    id: str
    pass_id: str
    reason: str
    aligned: bool
    captures: tuple[str, ...]
    task: BlendTask
    wanted: Wanted | None = None
    sum_loss_db: float | None = None
    other_loss_db: float | None = None


@dataclass(frozen=True, slots=True)
class _Known:
    """What planning goes by: the night's files, pairs and tones."""

    rate_hz: int
    pass_of: Mapping[str, str]
    cuts: Cuts
    relations: Mapping[str, tuple[Relation, ...]]
    tones: Mapping[str, Tone]

    def even_db(self, first: str, other: str) -> float:
        """Gain that makes one capture as loud as another."""
        return self.tones[first].lufs - self.tones[other].lufs

    def spectra(self, captures: Sequence[str]) -> MicSpectra | None:
        """Gather what microphones share; None where one was related to no other."""
        number = {id_: k for k, id_ in enumerate(captures)}
        pairs = {
            (number[one.a], number[one.b]): one.estimate.spectra
            for one in self.relations.get(self.pass_of[captures[0]], ())
            if one.a in number and one.b in number
        }
        return gather_pairs(pairs, len(captures)) if pairs else None

    def lag(self, first: str, other: str) -> float | None:
        """By how much one is later than another; None where nobody knows."""
        if first == other:
            return 0.0
        for one in self.relations.get(self.pass_of[first], ()):
            if {one.a, one.b} == {first, other} and one.confidence >= LEAST_CONFIDENCE:
                return one.delay_samples if one.a == first else -one.delay_samples
        return None


def plan_blends(
    sources: Sources,
    cuts: Cuts,
    relations: Mapping[str, tuple[Relation, ...]],
    *,
    tones: Mapping[str, Tone],
    wishes: Wishes,
    bench: Path | None,
) -> tuple[list[BlendPlan], tuple[Finding, ...]]:
    """Decide which blends are made.

    Parameters
    ----------
    sources : Sources
        The session's files.
    cuts : mapping of str to Cut
        Samples by capture id, the mutual timing of a pass kept.
    relations : mapping of str to tuple of Relation
        By pass.
    tones : mapping of str to Tone
        Of the usable captures before gain.
    wishes : Wishes
        Tones that blends are to come near to.
    bench : Path or None
        Folder for the sums.

    Returns
    -------
    plans : list of BlendPlan
        Those that the manifest asks for, then those of the two nearest mics of every
        pass, as `[compare] blends` says.
    findings : tuple of Finding
        Of the blends that were asked for and cannot be made.
    """
    manifest = sources.plan.manifest
    pass_of = {capture.id: capture.pass_id for capture in sources.plan.captures}
    known = _Known(sources.di.sample_rate_hz, pass_of, cuts, relations, tones)
    plans: list[BlendPlan] = []
    findings: list[Finding] = [*wishes.findings]
    for blend in manifest.blend:
        if blend.nearest is not None and blend.id not in wishes.tones:
            continue
        found = _asked(blend, known, wishes.tones.get(blend.id))
        if isinstance(found, Finding):
            findings.append(found)
        else:
            plans.append(found)
    if manifest.compare.blends != "none":
        ratios = manifest.compare.blends == "ratios"
        taken = {*pass_of, *(blend.id for blend in manifest.blend)}
        for pass_id, members in relations.items():
            near = _nearest(members, tones)
            if near is not None:
                made = _made(pass_id, near, known, ratios=ratios)
                plans += [plan for plan in made if plan.id not in taken]
    return [_completed(plan, known, bench) for plan in plans], tuple(findings)


def _completed(plan: BlendPlan, known: _Known, bench: Path | None) -> BlendPlan:
    """Add what the sum loses, either way, and where it is left."""
    own = [part.lag_samples for part in plan.task.parts]
    placed = [0.0] * len(own)
    found = [known.lag(plan.captures[0], id_) for id_ in plan.captures]
    moved = [lag for lag in found if lag is not None]
    losses: list[float | None] = [None, None]
    spectra = known.spectra(plan.captures)
    if spectra is not None:
        for place, lags in enumerate((own, placed if plan.aligned else moved)):
            if len(lags) == len(own):
                parts = _mixed(plan.task.parts, lags, known.rate_hz)
                losses[place] = sum_loss_db(spectra, parts)
    left = bench_file(bench, f"blend {plan.id}") if bench else None
    return replace(
        plan,
        sum_loss_db=losses[0],
        other_loss_db=losses[1],
        task=replace(plan.task, bench=left),
    )


def _mixed(
    parts: Sequence[Part], lags_samples: Sequence[float], rate_hz: int
) -> list[MixPart]:
    return [
        MixPart(part.gain_db, part.polarity, lag / rate_hz)
        for part, lag in zip(parts, lags_samples, strict=True)
    ]


def _nearest(
    relations: Sequence[Relation], tones: Mapping[str, Tone]
) -> Relation | None:
    """Pick the two mics that a person would blend: close ones, surely related."""
    usable = [
        relation
        for relation in relations
        if relation.a in tones
        and relation.b in tones
        and relation.confidence >= LEAST_CONFIDENCE
        and relation.polarity is not None
        and abs(relation.distance_mm) <= ROOM_MM
    ]
    return min(usable, key=lambda r: abs(r.delay_samples), default=None)


def _asked(
    blend: WrittenBlend, known: _Known, wanted: Tone | None
) -> BlendPlan | Finding:
    names = tuple(part.capture for part in blend.parts)
    lost = [id_ for id_ in names if id_ not in known.tones]
    if lost:
        return not_blended(blend.id, f"{' and '.join(lost)} cannot be used.")
    first, rate = names[0], known.rate_hz
    lags = [known.lag(first, id_) if blend.align else 0.0 for id_ in names]
    parts = tuple(
        Part(
            cut=known.cuts[part.capture],
            gain_db=known.even_db(first, part.capture) + part.gain_db,
            polarity=-1 if part.flip else 1,
            lag_samples=lag or 0.0,
        )
        for part, lag in zip(blend.parts, lags, strict=True)
    )
    reason = "Asked for by name."
    if blend.nearest is not None and wanted is not None:
        spectra, tones = known.spectra(names), [known.tones[id_] for id_ in names]
        if spectra is None or not all(tone.erb_db for tone in tones):
            why = "What its parts share is not known, so gains cannot be searched."
            return not_blended(blend.id, why)
        mixed = _mixed(parts, [part.lag_samples for part in parts], rate)
        gains = gains_near(spectra, mixed, tones, wanted)
        parts = tuple(
            replace(part, gain_db=part.gain_db + gain)
            for part, gain in zip(parts, gains, strict=True)
        )
        told = blend.nearest.capture or blend.nearest.file
        reason = f"The gains at which the sum comes nearest to {told}."
    if known.spectra(names) is None:
        one_pass = len({known.pass_of[id_] for id_ in names}) == 1
        why = "they share too little" if one_pass else "they are not of one pass"
        reason += f" What its parts lose together is not known: {why}."
    unmoved = [id_ for id_, lag in zip(names, lags, strict=True) if lag is None]
    if unmoved:
        reason += (
            f" Not moved: {', '.join(unmoved)}; how late against {first} is not sure."
        )
    return BlendPlan(
        id=blend.id,
        pass_id=known.pass_of[first],
        reason=reason,
        aligned=blend.align,
        captures=names,
        task=BlendTask(parts, None),
        wanted=blend.nearest,
    )


def _made(
    pass_id: str, relation: Relation, known: _Known, *, ratios: bool
) -> list[BlendPlan]:
    first, second = relation.a, relation.b
    even = known.even_db(first, second)
    best = relation.best_gain(known.rate_hz, even)
    inverted = relation.polarity == -1
    moved = "Aligned" if relation.lag_samples else "In step as placed"
    flipped = f", {second} flipped" if inverted else ""
    placed = "As placed, both equally loud."
    if inverted:
        placed += " One is upside down against the other."
    wanted = [
        (0.0, False, placed),
        (
            best.gain_db,
            True,
            f"{moved}{flipped}, at the ratio of levels that loses least: {second} "
            f"{best.gain_db:+.1f} dB.",
        ),
    ]
    if ratios:
        wanted += [
            (ratio, aligned, f"{second} at {ratio:+.0f} dB.")
            for ratio in _RATIOS_DB
            for aligned in (False, True)
            if (ratio, aligned) != (0.0, False)
        ]
    plans: dict[str, BlendPlan] = {}
    for ratio, aligned, reason in wanted:
        how = "aligned" if aligned else "as placed"
        level = f" {ratio:+.1f} dB" if ratio else ""
        id_ = f"{first} + {second}{level} {how}"
        polarity: Polarity = -1 if aligned and inverted else 1
        lag = relation.lag_samples if aligned else 0.0
        parts = (
            Part(known.cuts[first], 0.0, 1, 0.0),
            Part(known.cuts[second], even + ratio, polarity, lag),
        )
        plan = BlendPlan(
            id=id_,
            pass_id=pass_id,
            reason=reason,
            aligned=aligned,
            captures=(first, second),
            task=BlendTask(parts, None),
        )
        plans.setdefault(id_, plan)
    return list(plans.values())
