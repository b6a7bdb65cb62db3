"""Which captures sound like this one, whoever played?

Tones of the whole library are kept in one file that is mapped into memory; it is
only a cache, known by the catalogue's last change and made again when that differs.
"""

import sqlite3
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import OutputError
from pipeline.files.atomic import make_folder, write_aside
from pipeline.library.asking import Asking
from pipeline.library.catalogue import CACHE, Catalogue
from pipeline.library.find import answers, facts
from pipeline.library.heard import Heard
from pipeline.library.refusals import QueryError
from pipeline.library.schema import get_state
from pipeline.library.tone import (
    EXPANDED_WIDTH,
    WIDTH,
    Single,
    expand,
    rig_distances,
    spectrum_distances,
    spectrum_of,
)

_BLOCK = 8_192
SHOWN = ("session", "date", "id", "setup", "mic", "position", "distance_mm")


@dataclass(frozen=True, slots=True)
class Tones:
    """Tones of every capture that has one.

    Parameters
    ----------
    numbers : ndarray of int64, shape (n,)
        Numbers of the captures, rising.
    expanded : ndarray of float32, shape (n, EXPANDED_WIDTH)
        Laid out by `tone.expand`; mapped from the disk where that works.
    """

    numbers: NDArray[np.int64]
    expanded: Single


@dataclass(frozen=True, slots=True)
class Near:
    """One capture and how far it is.

    Parameters
    ----------
    number : int
        Of the capture.
    distance_db : float
        By which it is ranked.
    parts_db : tuple of float
        Response, compression, saturation, filling; empty for a spectrum.
    facts : tuple
        Values of `SHOWN`.
    """

    number: int
    distance_db: float
    parts_db: tuple[float, ...]
    facts: tuple[str | float | None, ...]


def _stamp(db: sqlite3.Connection) -> str:
    """Name of the cache for what the catalogue holds now."""
    change = get_state(db, "change")
    return sha256(f"{change} {EXPANDED_WIDTH}".encode()).hexdigest()[:16]


def _paths(folder: Path, stamp: str) -> tuple[Path, Path]:
    return folder / f"numbers-{stamp}.npy", folder / f"tones-{stamp}.npy"


def _read(db: sqlite3.Connection) -> Tones:
    """Read and lay out all tones from the catalogue."""
    rows = db.execute("SELECT capture_number, vector FROM tone ORDER BY capture_number")
    numbers: list[NDArray[np.int64]] = []
    blocks: list[Single] = []
    while block := rows.fetchmany(_BLOCK):
        usable = [row for row in block if len(row[1]) == 4 * WIDTH]
        raw = b"".join(row[1] for row in usable)
        tones = np.frombuffer(raw, dtype="<f4").reshape(-1, WIDTH)
        numbers.append(np.array([row[0] for row in usable], dtype=np.int64))
        blocks.append(expand(tones.astype(np.float32)))
    if not blocks:
        return Tones(np.zeros(0, np.int64), np.zeros((0, EXPANDED_WIDTH), np.float32))
    return Tones(np.concatenate(numbers), np.concatenate(blocks))


def _save(path: Path, array: NDArray[np.int64] | Single) -> None:
    with write_aside(path) as written:
        head = np.lib.format.header_data_from_array_1_0(array)
        written.write(np.lib.format.magic(1, 0))
        written.write(_head(head))
        written.write(array.tobytes())


def _head(fields: dict[str, object]) -> bytes:
    text = f"{fields!r}".encode("latin-1")
    padding = -(10 + len(text) + 1) % 64
    body = text + b" " * padding + b"\n"
    return len(body).to_bytes(2, "little") + body


def load_tones(catalogue: Catalogue) -> Tones:
    """Give all tones, from the cache where it is up to date.

    Parameters
    ----------
    catalogue : Catalogue
        An open library.

    Returns
    -------
    Tones
        As the catalogue holds them now.
    """
    folder = catalogue.root / CACHE
    numbers_path, tones_path = _paths(folder, _stamp(catalogue.db))
    with suppress(OSError, ValueError, EOFError):
        numbers = np.load(numbers_path)
        expanded = np.load(tones_path, mmap_mode="r")
        if expanded.shape == (len(numbers), EXPANDED_WIDTH):
            return Tones(numbers, expanded)
    found = _read(catalogue.db)
    # A medium that cannot be written to keeps no cache, and answers all the same.
    with suppress(OutputError):
        make_folder(folder)
        _save(numbers_path, found.numbers)
        _save(tones_path, found.expanded)
    for old in folder.glob("*.npy"):
        if old not in {numbers_path, tones_path}:
            # Windows keeps a file that another program has mapped.
            with suppress(OSError):
                old.unlink()
    return found


def _tone_of(catalogue: Catalogue, number: int) -> Single:
    query = "SELECT vector FROM tone WHERE capture_number = ?"
    found = catalogue.db.execute(query, (number,)).fetchone()
    if found is None or len(found[0]) != 4 * WIDTH:
        query = "SELECT id, status FROM capture WHERE number = ?"
        about = catalogue.db.execute(query, (number,)).fetchone()
        msg = f"no tone has the number {number}; `reamps library find` shows all."
        if about is not None:
            msg = (
                f"tone {number} ({about[0]}, {about[1]}) has no measured response: "
                "it was rejected or too short, or its bands do not reach from 80 Hz to "
                "8 kHz. Its audio can be compared with --to FILE."
            )
        raise QueryError(msg)
    return np.frombuffer(found[0], dtype="<f4").astype(np.float32)


def similar(
    catalogue: Catalogue,
    number: int,
    *,
    count: int = 10,
    conditions: tuple[str, ...] = (),
) -> list[Near]:
    """Rank captures by how near their rigs are to that of one capture.

    Parameters
    ----------
    catalogue : Catalogue
        An open library.
    number : int
        Of the capture that is looked for; it is not among the answers.
    count : int
        How many are wanted.
    conditions : tuple of str
        Only captures for which all hold.

    Returns
    -------
    list of Near
        Nearest first; equal distances by number. A `QueryError` is raised if the
        capture has no tone or a condition cannot be read.
    """
    tones = load_tones(catalogue)
    total, parts = rig_distances(tones.expanded, _tone_of(catalogue, number))
    total[tones.numbers == number] = np.inf
    return _ranked(catalogue, tones, (total, parts), count=count, conditions=conditions)


def similar_to_heard(
    catalogue: Catalogue,
    heard: Heard,
    *,
    count: int = 10,
    conditions: tuple[str, ...] = (),
) -> list[Near]:
    """Rank captures by how near their average spectra are to a recording's.

    Parameters
    ----------
    catalogue : Catalogue
        An open library.
    heard : Heard
        Third-octave levels of the recording.
    count : int
        How many are wanted.
    conditions : tuple of str
        Only captures for which all hold.

    Returns
    -------
    list of Near
        Nearest first.

    Raises
    ------
    QueryError
        If the recording's bands do not reach from 80 Hz to 8 kHz.
    """
    wanted = spectrum_of(heard.third_octave_hz, heard.third_octave_db)
    if wanted is None:
        msg = "the recording has no level in every third octave from 80 Hz to 8 kHz."
        raise QueryError(msg)
    tones = load_tones(catalogue)
    total = spectrum_distances(tones.expanded, wanted)
    parts = np.zeros((len(total), 0))
    return _ranked(catalogue, tones, (total, parts), count=count, conditions=conditions)


Measured = tuple[NDArray[np.float64], NDArray[np.float64]]


def _ranked(
    catalogue: Catalogue,
    tones: Tones,
    measured: Measured,
    *,
    count: int,
    conditions: tuple[str, ...],
) -> list[Near]:
    total, parts = measured
    if conditions:
        total = np.where(
            _allowed(catalogue.db, tones.numbers, conditions), total, np.inf
        )
    count = min(count, int(np.isfinite(total).sum()))
    if count <= 0:
        return []
    # Partition first: sorting 100,000 distances costs more than finding them.
    nearest = np.argpartition(total, count - 1)[:count]
    nearest = nearest[np.lexsort((tones.numbers[nearest], total[nearest]))]
    numbers = [int(n) for n in tones.numbers[nearest]]
    shown = facts(catalogue.db, numbers, SHOWN)
    return [
        Near(number, float(total[k]), tuple(float(p) for p in parts[k]), about)
        for number, k, about in zip(numbers, nearest, shown, strict=True)
    ]


def _allowed(
    db: sqlite3.Connection, numbers: NDArray[np.int64], conditions: tuple[str, ...]
) -> NDArray[np.bool_]:
    where = Asking(db).where("", conditions)
    wanted = [int(str(row[0])) for row in answers(db, ("number",), where)]
    return np.isin(numbers, np.array(wanted, dtype=np.int64))
