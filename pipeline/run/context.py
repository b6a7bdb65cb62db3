"""The backing track: read, laid onto the DI's time, brought to level, copied."""

from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from hashlib import sha256
from itertools import count
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pydantic import JsonValue, TypeAdapter

from pipeline import __version__
from pipeline.errors import AudioError
from pipeline.files.atomic import replace_with
from pipeline.files.audio import sha256_of
from pipeline.files.opening import signature_of
from pipeline.models.manifest import Context
from pipeline.models.record import ContextResult, Finding, LoudnessTarget
from pipeline.report.listening import FOLDER as LISTEN_FOLDER
from pipeline.report.listening import listening_samples
from pipeline.run.around import STAGE_VERSION, Surroundings
from pipeline.run.keeping import Step, Strand
from pipeline.run.levelling import Levelled
from pipeline.run.outputs import file_names
from pipeline.stages.context import (
    MOST_CHANNELS,
    Fitted,
    Span,
    copy_track,
    fit_track,
    place_track,
    unusable,
)
from pipeline.stages.read import Source, SourceSpec, open_source

STAGE = "context"
NAME = "Backing track"
_DAMAGED = "not_finite"


@dataclass(frozen=True, slots=True)
class Along:
    """What became of the backing track.

    Parameters
    ----------
    result : ContextResult or None
        None where there is none, or none that plays along.
    findings : tuple of Finding
        Why not.
    """

    result: ContextResult | None = None
    findings: tuple[Finding, ...] = ()


_ALONG = TypeAdapter(Along)


@dataclass(frozen=True, slots=True)
class AlongTask:
    """Prepare the backing track.

    Parameters
    ----------
    written : Context
        What the manifest says.
    source : SourceSpec
        Its file at the DI's rate; the first channel.
    sha256 : str
        Of the file.
    di_frames : int
        Length of the DI.
    target : LoudnessTarget
        Level of the captures.
    listen : str
        Name of the copy, relative to the folder.
    folder : Path or None
        The run's folder; None writes no copy.
    """

    written: Context
    source: SourceSpec
    sha256: str
    di_frames: int
    target: LoudnessTarget
    listen: str
    folder: Path | None


def prepare_track(task: AlongTask) -> Along:
    """Read the backing track, bring it to time and level, and write its copy.

    Parameters
    ----------
    task : AlongTask
        What to prepare.

    Returns
    -------
    Along
        The track, or a finding that says why it does not play along.
    """
    rate = task.source.sample_rate_hz
    try:
        with ExitStack() as opened:
            sources = _open(task.source, opened)
            first = sources[0]
            span = place_track(task.written, first.frames, task.di_frames, rate)
            if isinstance(span, Finding):
                return Along(None, (span,))
            samples = np.zeros((task.di_frames, len(sources)), dtype=np.float32)
            for channel, source in zip(samples.T, sources, strict=True):
                _read(source, span, channel)
    except AudioError as error:
        return Along(None, (unusable(task.written, error),))
    fitted = fit_track(samples, task.written, task.target, rate)
    if isinstance(fitted, Finding):
        return Along(None, (fitted,))
    return Along(_describe(task, first, span, fitted))


def _open(spec: SourceSpec, opened: ExitStack) -> list[Source]:
    first = opened.enter_context(open_source(spec))
    others = range(2, min(MOST_CHANNELS, first.info.channels) + 1)
    return [
        first,
        *(opened.enter_context(open_source(replace(spec, channel=k))) for k in others),
    ]


def _read(source: Source, span: Span, channel: NDArray[np.float32]) -> None:
    frames = span.last - span.first
    channel[span.first : span.last] = source.read(span.start + span.first, frames)
    if source.not_finite:
        text = f"{source.info.path}: it holds samples that are not numbers (NaN)."
        raise AudioError(_DAMAGED, text)


def _describe(
    task: AlongTask, source: Source, span: Span, fitted: Fitted
) -> ContextResult:
    rate = task.source.sample_rate_hz
    digest = None
    if task.folder is not None:
        content = listening_samples(task.listen, copy_track(fitted), rate=rate)
        replace_with(task.folder / task.listen, content)
        digest = sha256(content).hexdigest()
    return ContextResult(
        file=task.written.file,
        sha256=task.sha256,
        channels=1 if fitted.samples.shape[1] == 1 else 2,
        sample_rate_hz=source.native_rate_hz,
        offset_s=task.written.offset_s,
        begins_s=span.first / rate,
        ends_s=span.last / rate,
        asked_db=task.written.gain_db,
        source_lufs=fitted.source_lufs,
        gain_db=fitted.gain_db,
        lufs=fitted.source_lufs + fitted.gain_db,
        true_peak_dbtp=fitted.true_peak_dbtp,
        listen=task.listen if task.folder is not None else None,
        listen_sha256=digest,
    )


def copy_name(taken: Iterable[str]) -> str:
    """Name the track's copy unlike every other file that is listened to.

    Parameters
    ----------
    taken : iterable of str
        Names of the others, without ending.

    Returns
    -------
    str
        Relative to the folder, such as "listen/Backing track.js".
    """
    others = {name.casefold() for name in taken}
    names = (NAME if number == 1 else f"{NAME} {number}" for number in count(1))
    free = next(name for name in names if name.casefold() not in others)
    return f"{LISTEN_FOLDER}/{free}.js"


def play_along(levelled: Levelled, folder: Path | None, around: Surroundings) -> Along:
    """Prepare the backing track, if the manifest names one and it is not there yet.

    Parameters
    ----------
    levelled : Levelled
        The session at its level.
    folder : Path or None
        The run's folder; None writes nothing.
    around : Surroundings
        Workers, progress and what was kept.

    Returns
    -------
    Along
        Empty where there is no track, or while only deciding. A track that cannot be
        used is a finding, never the end of the night.
    """
    plan, di = levelled.judged.plan, levelled.judged.sources.di
    written = plan.manifest.context
    if written is None:
        return Along()
    path = plan.manifest_path.parent / written.file
    seen = signature_of(path)
    try:
        sha256 = sha256_of(path)
    except AudioError as error:
        return Along(None, (unusable(written, error),))
    names = file_names(plan, [blend.id for blend in levelled.blends])
    task = AlongTask(
        written=written,
        source=SourceSpec(path, 1, di.sample_rate_hz, seen),
        sha256=sha256,
        di_frames=di.frames,
        target=levelled.target,
        listen=copy_name(names.values()),
        folder=folder,
    )
    around.progress.begin("the backing track", 1)
    found = around.do(
        Strand(
            STAGE,
            [Step(NAME, task, _parts(task))],
            prepare_track,
            _ALONG,
            valid=lambda along: _stands(folder, along),
        )
    )
    return found.get(NAME, Along())


def _parts(task: AlongTask) -> dict[str, JsonValue]:
    written, target = task.written, task.target
    return {
        "version": f"{__version__}/{STAGE_VERSION}",
        "DI's length": f"{task.di_frames}/{task.source.sample_rate_hz}",
        "track": task.sha256,
        "file": written.file,
        "offset": written.offset_s,
        "level": written.gain_db,
        "target": f"{target.effective_target_lufs}/{target.max_true_peak_dbtp}",
        "name": task.listen,
    }


def _stands(folder: Path | None, along: Along) -> bool:
    """Whether the copy is there as it was written."""
    if along.result is None or folder is None or along.result.listen is None:
        return True
    try:
        return sha256_of(folder / along.result.listen) == along.result.listen_sha256
    except AudioError:
        return False
