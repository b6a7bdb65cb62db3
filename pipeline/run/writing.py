"""Write every levelled file: captures, blends, the DI, and their listening copies."""

from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path

from pydantic import JsonValue, TypeAdapter

from pipeline.errors import AudioError
from pipeline.files.atomic import make_folder
from pipeline.files.audio import sha256_of
from pipeline.files.bext import BextFields
from pipeline.files.names import unique_names, unspaced
from pipeline.files.store import AUDIO_FOLDER, BLENDS_FOLDER, DRY_FOLDER
from pipeline.files.wave_chunks import read_bext
from pipeline.models.plan import DI_NAME
from pipeline.models.record import LoudnessResult, Output
from pipeline.report.listening import FOLDER as LISTEN_FOLDER
from pipeline.report.listening import listening_file
from pipeline.run.around import Surroundings
from pipeline.run.blending import blend_parts
from pipeline.run.keeping import Step
from pipeline.run.levelling import Levelled
from pipeline.run.relating import cut_parts
from pipeline.run.tasks import BlendTask, Cut, WriteTask, write_capture
from pipeline.stages.di import DiSpec
from pipeline.stages.output import describe_output

_OUTPUT = TypeAdapter(Output)


def file_names(levelled: Levelled) -> dict[str, str]:
    """Name every file of a session that is listened to.

    Parameters
    ----------
    levelled : Levelled
        The session at its level.

    Returns
    -------
    dict of str to str
        By id; the listening copies of all lie in one folder, so no two share a name.
    """
    captures = (capture.id for capture in levelled.judged.plan.captures)
    blends = {plan.id for plan in levelled.blends}
    return unique_names(
        [DI_NAME, *captures, *(plan.id for plan in levelled.blends)],
        lambda id_: unspaced(id_) if id_ in blends else id_,
    )


class _Writer:
    """Makes the steps that write a session's files."""

    def __init__(self, levelled: Levelled, folder: Path) -> None:
        judged = levelled.judged
        self._name = judged.plan.name
        self._rate = judged.sources.di.sample_rate_hz
        self._origin = _origin(judged.sources.di)
        self._folder = folder
        self._names = file_names(levelled)

    def step(
        self,
        id_: str,
        samples: Cut | BlendTask | DiSpec,
        loudness: LoudnessResult,
        parts: Mapping[str, JsonValue],
    ) -> Step[WriteTask]:
        relative = f"{_place(samples)}/{self._names[id_]}.wav"
        task = WriteTask(
            samples=samples,
            sample_rate_hz=self._rate,
            gain_db=loudness.gain_db,
            path=self._folder / relative,
            relative=relative,
            bext=describe_output(
                f"{self._name} | {id_} | aligned to the DI",
                loudness,
                self._rate,
                self._origin,
            ),
            listen=self._folder / listening_file(relative),
        )
        made: dict[str, JsonValue] = {
            "gain": task.gain_db,
            "name": relative,
            "description": asdict(task.bext),
        }
        return Step(id_, task, {**parts, **made})


def write_all(
    levelled: Levelled, folder: Path, around: Surroundings
) -> dict[str, Output]:
    """Write every levelled file that is not there yet.

    Parameters
    ----------
    levelled : Levelled
        The session at its level.
    folder : Path
        The run's folder.
    around : Surroundings
        Workers, progress and what was kept.

    Returns
    -------
    dict of str to Output
        By id of capture or blend; the DI under its own name.
    """
    judged = levelled.judged
    sources = judged.sources
    writer = _Writer(levelled, folder)
    steps = [
        writer.step(c.id, cut, finished.loudness, cut_parts(sources, c, cut))
        for c in judged.plan.captures
        if (finished := levelled.capture(c.id)) and (cut := judged.cuts[c.id])
    ]
    steps += [
        writer.step(plan.id, plan.task, finished.loudness, blend_parts(plan, sources))
        for plan in levelled.blends
        if (finished := levelled.blend(plan.id))
    ]
    if judged.di_result is not None:
        loudness = levelled.di(judged.di_result)
        steps.append(writer.step(DI_NAME, sources.di, loudness, sources.di_parts()))
    around.progress.begin("writing", len(steps))
    return around.keeper.map(
        "write",
        steps,
        write_capture,
        adapter=_OUTPUT,
        workers=around.workers,
        progress=around.progress,
        valid=lambda output: _stands(folder, output),
    )


def make_folders(folder: Path) -> None:
    """Make the folders that outputs go into.

    Parameters
    ----------
    folder : Path
        The run's folder. An `OutputError` says why one cannot be made.
    """
    for name in (AUDIO_FOLDER, BLENDS_FOLDER, DRY_FOLDER, LISTEN_FOLDER):
        make_folder(folder / name)


def _place(samples: Cut | BlendTask | DiSpec) -> str:
    if isinstance(samples, Cut):
        return AUDIO_FOLDER
    return BLENDS_FOLDER if isinstance(samples, BlendTask) else DRY_FOLDER


def _stands(folder: Path, output: Output) -> bool:
    """Whether an output is there as it was written, and its listening copy."""
    try:
        if not (folder / listening_file(output.file)).is_file():
            return False
        return sha256_of(folder / output.file) == output.sha256
    except AudioError:
        return False


def _origin(di: DiSpec) -> BextFields | None:
    """Say where the DI lies on its session's time, also inside a play-out file."""
    try:
        found = read_bext(di.path)
    except (OSError, ValueError):
        found = None
    if not di.start:
        return found
    found = found or BextFields()
    at = found.time_reference_samples + di.start
    return replace(found, time_reference_samples=at)
