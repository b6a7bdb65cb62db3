"""Relate the microphones of one pass."""

from contextlib import suppress
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import AudioError
from pipeline.run.tasks.cut import Cut, cut_capture
from pipeline.stages.di import load_di
from pipeline.stages.relate import Relation, relate


@dataclass(frozen=True, slots=True)
class RelateTask:
    """Relate the microphones of one pass.

    Parameters
    ----------
    cuts : tuple of (str, Cut)
        Ids and samples, all with one shift.
    temperature_c : float
        Air temperature in degrees Celsius.
    """

    cuts: tuple[tuple[str, Cut], ...]
    temperature_c: float


@dataclass(frozen=True, slots=True)
class RelateResult:
    """What became of a `RelateTask`.

    Parameters
    ----------
    relations : tuple of Relation
        Of every two that share a usable band.
    """

    relations: tuple[Relation, ...]


def relate_pass(task: RelateTask) -> RelateResult:
    """Relate the microphones of one pass.

    Parameters
    ----------
    task : RelateTask
        The pass.

    Returns
    -------
    RelateResult
        Every two of them. A source that cannot be read any more is left out; its own
        measuring says so.
    """
    samples: dict[str, NDArray[np.float32]] = {}
    for id_, cut in task.cuts:
        with suppress(AudioError):
            samples[id_] = cut_capture(cut)
    cut = task.cuts[0][1]
    quiet = load_di(cut.di).quiet_samples()
    relations = (
        relate(
            (a, b),
            (samples[a], samples[b]),
            cut.di.sample_rate_hz,
            quiet=quiet,
            temperature_c=task.temperature_c,
        )
        for a, b in combinations(samples, 2)
    )
    return RelateResult(tuple(found for found in relations if found is not None))
