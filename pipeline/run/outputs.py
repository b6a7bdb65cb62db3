"""Where a session's audio goes, and what is said in it."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.files.bext import BextFields
from pipeline.files.names import unique_names, unspaced
from pipeline.files.store import AUDIO_FOLDER, DRY_FOLDER
from pipeline.files.wave_chunks import read_bext
from pipeline.models.plan import DI_NAME, Plan
from pipeline.run.around import Sources
from pipeline.run.tasks import Ahead, OutputFile
from pipeline.stages.di import DiSpec


def file_names(plan: Plan, blends: Sequence[str] = ()) -> dict[str, str]:
    """Name every file of a session that is listened to.

    Parameters
    ----------
    plan : Plan
        What the session is.
    blends : sequence of str
        Ids of its blends; they change no name of the others.

    Returns
    -------
    dict of str to str
        By id; the listening copies of all lie in one folder, so no two share a name.
    """
    ids = [DI_NAME, *(capture.id for capture in plan.captures), *blends]
    return unique_names(ids, lambda id_: unspaced(id_) if id_ in blends else id_)


class OutputFiles:
    """The files that a session's audio goes to.

    Parameters
    ----------
    sources : Sources
        The session's files.
    folder : Path
        The run's folder.
    blends : sequence of str
        Ids of its blends.
    """

    def __init__(
        self, sources: Sources, folder: Path, blends: Sequence[str] = ()
    ) -> None:
        self._session = sources.plan.name
        self._rate = sources.di.sample_rate_hz
        self._origin = _origin(sources.di)
        self._folder = folder
        self._names = file_names(sources.plan, blends)

    def file(self, id_: str, place: str) -> OutputFile:
        """Say where an output goes.

        Parameters
        ----------
        id_ : str
            Of a capture or a blend, or the DI's name.
        place : str
            Folder in the run's folder.

        Returns
        -------
        OutputFile
            With a name of its own.
        """
        return OutputFile(
            title=f"{self._session} | {id_} | aligned to the DI",
            folder=self._folder,
            relative=f"{place}/{self._names[id_]}.wav",
            sample_rate_hz=self._rate,
            origin=self._origin,
        )


def plan_ahead(
    sources: Sources,
    folder: Path | None,
    bench: Path | None,
    trims: Mapping[str, float],
) -> dict[str, Ahead]:
    """Say what workers need to know to measure and write what they have found.

    Parameters
    ----------
    sources : Sources
        The session's files.
    folder : Path or None
        The run's folder.
    bench : Path or None
        Where tasks leave results for each other.
    trims : mapping of str to float
        What a listener added by ear, in dB by id.

    Returns
    -------
    dict of str to Ahead
        By capture id, and under the DI's name; empty where nothing is written.
    """
    if folder is None or bench is None:
        return {}
    files = OutputFiles(sources, folder)
    mics = Counter(capture.pass_id for capture in sources.plan.captures)
    level = sources.plan.manifest.loudness

    def ahead(id_: str, place: str, *, alone: bool) -> Ahead:
        return Ahead(
            bench=bench,
            file=files.file(id_, place),
            wanted_lufs=level.target_lufs,
            ceiling_dbtp=level.max_true_peak_dbtp,
            trim_db=trims.get(id_, 0.0),
            alone=alone,
        )

    return {
        DI_NAME: ahead(DI_NAME, DRY_FOLDER, alone=True),
        **{
            capture.id: ahead(
                capture.id, AUDIO_FOLDER, alone=mics[capture.pass_id] == 1
            )
            for capture in sources.plan.captures
        },
    }


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
