"""May a session's results go there? Sources are never among what is written."""

from contextlib import suppress
from os.path import realpath
from pathlib import Path

from pipeline.errors import OutputError
from pipeline.files.store import (
    AUDIO_FOLDER,
    BLENDS_FOLDER,
    DRY_FOLDER,
    METRICS_NAME,
    PAGE_NAME,
    RECORD_NAME,
)
from pipeline.models.plan import Plan
from pipeline.report.listening import FOLDER as LISTEN_FOLDER
from pipeline.run.keeping import FOLDER as KEPT

WRITTEN = (AUDIO_FOLDER, BLENDS_FOLDER, DRY_FOLDER, LISTEN_FOLDER)
_OURS = (KEPT, RECORD_NAME)


def source_files(plan: Plan) -> list[Path]:
    """List every file that a session reads.

    Parameters
    ----------
    plan : Plan
        What the session is.

    Returns
    -------
    list of Path
        Absolute, without the manifest and its sheet; they need not exist.
    """
    beside = plan.manifest_path.parent
    wanted = (blend.nearest for blend in plan.manifest.blend)
    others = (plan.manifest.loopback, plan.manifest.context, *wanted)
    files = [
        plan.di_path,
        *([plan.playout_path] if plan.playout_path else []),
        *(capture.path for capture in plan.captures),
        *(beside / found.file for found in others if found and found.file),
    ]
    return list(dict.fromkeys(files))


def refuse_sources(plan: Plan, folder: Path) -> None:
    """Refuse a folder in which a result could replace what is not a result.

    Parameters
    ----------
    plan : Plan
        What the session is.
    folder : Path
        Where its results would go; need not exist.

    Raises
    ------
    OutputError
        If a source lies where results go, the manifest would be replaced, or
        the folder holds somebody else's files under the names of results.
    """
    targets = [folder, *(folder / name for name in (*WRITTEN, KEPT))]
    for source in source_files(plan):
        for target in targets:
            # A link in another folder is as good as the file that it leads to.
            folders = (source.parent, Path(realpath(source)).parent)
            if any(same_place(own, target) for own in folders):
                message = (
                    f"{folder}: the result would go into {target}, where the source "
                    f"{source.name} lies. Choose another folder with --out."
                )
                raise OutputError(message)
    written = [("manifest", plan.manifest_path)]
    if plan.takes_path is not None:
        written.append(("take sheet", plan.takes_path))
    for name in (PAGE_NAME, RECORD_NAME, METRICS_NAME):
        for what, path in written:
            if same_place(path, folder / name):
                message = (
                    f"{folder}: the result would replace the {what} {path}. Choose "
                    "another folder with --out."
                )
                raise OutputError(message)
    _refuse_strangers(folder)


def _refuse_strangers(folder: Path) -> None:
    """Refuse a folder whose audio no run has written."""
    if any((folder / name).exists() for name in _OURS):
        return
    for name in WRITTEN:
        with suppress(OSError):
            if any((folder / name).iterdir()):
                message = (
                    f"{folder / name}: holds files, and no run has written into "
                    f"{folder} before. Choose another folder with --out."
                )
                raise OutputError(message)


def same_place(one: Path, other: Path) -> bool:
    """Tell whether two paths are one place, whatever their spelling and links.

    Parameters
    ----------
    one, other : Path
        Files or folders.

    Returns
    -------
    bool
        False where one of them is not there.
    """
    try:
        return one.samefile(other)
    except (OSError, ValueError):
        return False
