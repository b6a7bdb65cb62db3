"""Is the library whole, and how is it kept safe?"""

import os
import shutil
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import OutputError, RecordError
from pipeline.files.atomic import make_folder
from pipeline.library import audio, records
from pipeline.library.catalogue import (
    AUDIO,
    FILE_NAME,
    JUDGEMENTS,
    RECORDS,
    Catalogue,
)
from pipeline.library.schema import copy_to, faults, refusing
from pipeline.library.tables import counted


@dataclass(frozen=True, slots=True)
class Health:
    """What a check found.

    Parameters
    ----------
    sessions, tones : int
        In the catalogue.
    faults : tuple of str
        What is wrong with the catalogue itself; `rebuild` mends it.
    missing : tuple of str
        Records that the catalogue knows and the shelf lacks or holds damaged.
    strays : tuple of str
        Records on the shelf that the catalogue does not know: a session whose adding
        was cut short. `rebuild` adds them.
    lost_audio : tuple of str
        By session: how many of its audio files lie nowhere any more.
    """

    sessions: int
    tones: int
    faults: tuple[str, ...]
    missing: tuple[str, ...]
    strays: tuple[str, ...]
    lost_audio: tuple[str, ...]

    def lines(self) -> list[str]:
        """Say all that was found, in the words of the command.

        Returns
        -------
        list of str
            One line each; empty when all is well.
        """
        kinds = {
            "fault": self.faults,
            "missing record": self.missing,
            "unknown record": self.strays,
            "lost audio": self.lost_audio,
        }
        found = [f"{kind}: {line}" for kind, lines in kinds.items() for line in lines]
        if self.strays:
            found.append("an adding was cut short; --repair takes unknown records in")
        return found

    @property
    def whole(self) -> bool:
        """Whether catalogue and shelf agree and are undamaged, wherever audio lies."""
        return not (self.faults or self.missing)


def check(root: Path) -> Health:
    """Check a whole library.

    Parameters
    ----------
    root : Path
        Its folder.

    Returns
    -------
    Health
        What was found. A `CatalogueError` is raised if the catalogue cannot even be
        opened.
    """
    with Catalogue(root) as catalogue, refusing(catalogue.path):
        db = catalogue.db
        known = dict(db.execute("SELECT record_sha256, folder FROM session").fetchall())
        shelf = {path.name: path for path in records.everything(catalogue.shelf)}
        expected = {
            records.shelf_path(catalogue.shelf, sha256).name: str(folder)
            for sha256, folder in known.items()
        }
        return Health(
            sessions=len(known),
            tones=int(db.execute("SELECT count(*) FROM capture").fetchone()[0]),
            faults=tuple(faults(db)),
            missing=tuple(_missing(expected, shelf)),
            strays=tuple(
                str(shelf[name]) for name in sorted(set(shelf) - set(expected))
            ),
            lost_audio=tuple(_lost_audio(catalogue)),
        )


def _missing(expected: dict[str, str], shelf: dict[str, Path]) -> list[str]:
    found = []
    for name, folder in sorted(expected.items()):
        try:
            if name not in shelf:
                found.append(f"record of {folder}: not on the shelf")
            else:
                records.take(shelf[name])
        except RecordError as error:
            found.append(str(error))
    return found


def _lost_audio(catalogue: Catalogue) -> list[str]:
    query = (
        "SELECT session.folder, session.record_sha256, capture.output_file "
        "FROM capture JOIN session ON session.number = capture.session_number "
        "WHERE capture.output_file IS NOT NULL ORDER BY capture.number"
    )
    rows = catalogue.db.execute(query)
    copies = catalogue.root / AUDIO
    lost = Counter(
        str(folder)
        for folder, sha256, file in rows
        if audio.locate(copies, folder, sha256, file) is None
    )
    return [f"{folder}: {counted(count, 'file')}" for folder, count in lost.items()]


def _copy_audio(source: Path, target: Path) -> None:
    try:
        shutil.copytree(source, target, ignore=audio.not_arriving)
    except OSError as error:
        msg = (
            f"{target}: the audio could not be copied whole ({error}). If a session "
            "was taken out meanwhile, remove this copy and make another."
        )
        raise OutputError(msg) from error


def backup(root: Path, target: Path, *, with_audio: bool) -> int:
    """Copy a library, whole, while others may use it.

    Parameters
    ----------
    root : Path
        Its folder.
    target : Path
        A folder that does not exist yet, or is empty.
    with_audio : bool
        Copy the audio too that was copied in.

    Returns
    -------
    int
        Sessions in the copy, which was checked.

    Raises
    ------
    OutputError
        When the target is in use or in the library, or the copy is not whole.
    """
    # A link that leads nowhere is there, too.
    if os.path.lexists(target) and not (target.is_dir() and not any(target.iterdir())):
        msg = f"{target}: is not an empty folder. Name a new folder for the copy."
        raise OutputError(msg)
    if target.resolve().is_relative_to(root.resolve()):
        msg = f"{target}: lies in the library. Name a folder outside of it."
        raise OutputError(msg)
    make_folder(target / RECORDS)
    with Catalogue(root) as catalogue, refusing(catalogue.path):
        copy_to(catalogue.db, target / FILE_NAME)
        for path in records.everything(catalogue.shelf):
            audio.copy_file(path, target / RECORDS / path.name)
    if (root / JUDGEMENTS).exists():
        audio.copy_file(root / JUDGEMENTS, target / JUDGEMENTS)
    if with_audio and (root / AUDIO).exists():
        _copy_audio(root / AUDIO, target / AUDIO)
    health = check(target)
    if not health.whole:
        first = (health.faults + health.missing)[0]
        msg = f"{target}: the copy is not whole ({first}). Try again."
        raise OutputError(msg)
    return health.sessions
