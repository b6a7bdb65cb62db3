"""Write every levelled file: captures, blends, the DI, and their listening copies."""

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path

from pydantic import JsonValue, TypeAdapter

from pipeline.errors import AudioError
from pipeline.files.atomic import make_folder
from pipeline.files.audio import sha256_of
from pipeline.files.store import AUDIO_FOLDER, BLENDS_FOLDER, DRY_FOLDER
from pipeline.models.plan import DI_NAME
from pipeline.models.record import Output
from pipeline.report.listening import FOLDER as LISTEN_FOLDER
from pipeline.report.listening import listening_file
from pipeline.run.around import Surroundings
from pipeline.run.blending import blend_parts
from pipeline.run.keeping import Step, Strand
from pipeline.run.levelling import Levelled
from pipeline.run.outputs import OutputFiles
from pipeline.run.relating import cut_parts
from pipeline.run.tasks import Ahead, Early, WriteTask, write_early

_OUTPUT = TypeAdapter(Output)


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
    files = OutputFiles(sources, folder, [plan.id for plan in levelled.blends])
    steps = [
        _step(
            c.id,
            WriteTask(cut, files.file(c.id, AUDIO_FOLDER), finished.loudness),
            cut_parts(sources, c, cut),
            judged.ahead.get(c.id),
        )
        for c in judged.plan.captures
        if (finished := levelled.finished.get(c.id)) and (cut := judged.cuts[c.id])
    ]
    steps += [
        _step(
            plan.id,
            WriteTask(plan.task, files.file(plan.id, BLENDS_FOLDER), finished.loudness),
            blend_parts(plan, sources),
        )
        for plan in levelled.blends
        if (finished := levelled.finished.get(plan.id))
    ]
    if judged.di_result is not None:
        file = files.file(DI_NAME, DRY_FOLDER)
        task = WriteTask(sources.di, file, levelled.di(judged.di_result))
        steps.append(
            _step(DI_NAME, task, sources.di_parts(), judged.ahead.get(DI_NAME))
        )
    around.progress.begin("writing", len(steps))
    return around.do(
        Strand(
            "write",
            steps,
            write_early,
            _OUTPUT,
            valid=lambda output: _stands(folder, output),
        )
    )


def _step(
    id_: str,
    task: WriteTask,
    samples: Mapping[str, JsonValue],
    ahead: Ahead | None = None,
) -> Step[Early[WriteTask]]:
    made: dict[str, JsonValue] = {
        "gain": task.loudness.gain_db,
        "name": task.file.relative,
        "description": asdict(task.bext),
    }
    return Step(id_, Early(task, ahead), {**samples, **made})


def make_folders(folder: Path) -> None:
    """Make the folders that outputs go into.

    Parameters
    ----------
    folder : Path
        The run's folder. An `OutputError` says why one cannot be made.
    """
    for name in (AUDIO_FOLDER, BLENDS_FOLDER, DRY_FOLDER, LISTEN_FOLDER):
        make_folder(folder / name)


def _stands(folder: Path, output: Output) -> bool:
    """Whether an output is there as it was written, and its listening copy."""
    try:
        if not (folder / listening_file(output.file)).is_file():
            return False
        return sha256_of(folder / output.file) == output.sha256
    except AudioError:
        return False
