"""The whole library as one map: every capture a dot, alike rigs near each other."""

import os
import sqlite3
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
from numpy.typing import NDArray

from pipeline.library import audio
from pipeline.library.asking import Asking
from pipeline.library.catalogue import AUDIO, Catalogue
from pipeline.library.find import columns_sql
from pipeline.library.tone import BANDS_HZ, SATURATION_FACTOR, WIDTH
from pipeline.models.metrics import METRICS

Float = NDArray[np.float64]
FACETS = ("amp", "setup", "cabinet", "mic", "position", "date")
_AMP = ("setup.amp", "setup.amp.name", "setup.amp.model")
"""An amplifier is written as a name, or as a table that holds one beside its knobs."""
_COLUMNS = (
    "number",
    "session",
    "date",
    "id",
    "setup",
    "mic",
    "position",
    "distance_mm",
    "lufs",
    "di_sha256",
    "folder",
    "output_file",
)
_KEYS = tuple(metric.key for metric in METRICS)
_ENOUGH_SHARE = 0.2


def spots(tones: NDArray[np.float32]) -> Float:
    """Lay tones on a plane so that alike rigs are near each other.

    Parameters
    ----------
    tones : ndarray of float32, shape (n, WIDTH)
        From `tone.tone`.

    Returns
    -------
    ndarray, shape (n, 2)
        The two directions of largest variance (principal components; Pearson 1901) of
        response and saturation; responses that the DI hardly explains count less.
        The sign of each axis is fixed, so that equal input gives an equal map.
    """
    count = len(BANDS_HZ)
    response, weight = (
        tones[:, :count].astype(float),
        tones[:, count : 2 * count].astype(float),
    )
    sureness = weight / (weight + _ENOUGH_SHARE)
    saturation = SATURATION_FACTOR * tones[:, 2 * count : 3 * count].astype(float)
    table = np.concatenate([response * sureness, saturation], axis=1)
    table -= table.mean(axis=0) if len(table) else 0.0
    _, vectors = np.linalg.eigh(table.T @ table)
    top = vectors[:, ::-1][:, :2]
    signs = np.sign(top[np.abs(top).argmax(axis=0), np.arange(2)])
    return np.asarray(table @ (top * signs))


def _link(page: Path, found: Path | None) -> str | None:
    """Link from the page to a file: relative where both lie on one drive."""
    if found is None:
        return None
    try:
        relative = os.path.relpath(found, page.parent)
    except ValueError:  # another drive
        return found.as_uri()
    return "./" + quote(Path(relative).as_posix(), safe="/")


def _recalled(db: sqlite3.Connection, paths: tuple[str, ...]) -> dict[int, str]:
    """One recall key of every capture, whichever of the paths it has."""
    marks = ", ".join("?" * len(paths))
    query = (
        "SELECT capture_scope.capture_number, fact.text FROM key "  # noqa: S608 marks
        "JOIN fact ON fact.key_id = key.id "
        "JOIN capture_scope ON capture_scope.scope_id = fact.scope_id "
        f"WHERE key.path IN ({marks})"
    )
    return {int(number): str(text) for number, text in db.execute(query, paths)}


def _indexed(values: Iterable[str | None]) -> tuple[list[str], list[int]]:
    """Distinct texts, sorted, and the place of each value among them; -1 for none."""
    known = list(values)
    names = sorted({value for value in known if value})
    places = {name: k for k, name in enumerate(names)}
    return names, [places.get(value or "", -1) for value in known]


def _numbers(values: Iterable[Any], digits: int) -> list[float | None]:
    return [None if v is None else round(float(v), digits) for v in values]


def _spots(db: sqlite3.Connection, numbers: list[int]) -> list[list[float | None]]:
    wanted = set(numbers)
    rows = [
        (int(number), vector)
        for number, vector in db.execute("SELECT capture_number, vector FROM tone")
        if number in wanted and len(vector) == 4 * WIDTH
    ]
    raw = b"".join(vector for _, vector in rows)
    tones = np.frombuffer(raw, dtype="<f4").reshape(-1, WIDTH)
    placed = dict(zip((n for n, _ in rows), spots(tones).tolist(), strict=True))
    return [
        _numbers((placed.get(number, (None, None))[axis] for number in numbers), 3)
        for axis in (0, 1)
    ]


def map_data(
    catalogue: Catalogue, page: Path, words: str = "", conditions: tuple[str, ...] = ()
) -> dict[str, Any]:
    """Gather what the map shows.

    Parameters
    ----------
    catalogue : Catalogue
        An open library.
    page : Path
        Where the page will be, for its links.
    words : str
        Only captures in which all occur.
    conditions : tuple of str
        Only captures for which all hold.

    Returns
    -------
    dict
        Columns of equal length, one value a capture; nothing that is private.
    """
    where = Asking(catalogue.db).where(words, conditions)
    wanted = columns_sql(catalogue.db, (*_COLUMNS, *_KEYS))
    query = (
        f"SELECT session.record_sha256, {wanted} "  # noqa: S608 own text
        "FROM capture JOIN session ON session.number = capture.session_number "
        f"WHERE ({where.sql}) AND capture.status != 'rejected' ORDER BY capture.number"
    )
    rows = catalogue.db.execute(query, where.values).fetchall()
    sha256 = [row[0] for row in rows]
    columns = {name: [row[1 + k] for row in rows] for k, name in enumerate(_COLUMNS)}
    numbers = [int(number) for number in columns["number"]]
    amps = _recalled(catalogue.db, _AMP)
    cabinets = _recalled(catalogue.db, ("setup.cabinet",))
    facets = {
        "amp": [amps.get(number) for number in numbers],
        "setup": columns["setup"],
        "cabinet": [cabinets.get(number) for number in numbers],
        "mic": columns["mic"],
        "position": columns["position"],
        "date": [date[:7] if date else None for date in columns["date"]],
    }
    copies = catalogue.root / AUDIO
    placed = zip(columns["folder"], sha256, columns["output_file"], strict=True)
    first = 1 + len(_COLUMNS)
    return {
        "count": len(rows),
        "number": numbers,
        "session": _indexed(columns["session"]),
        "id": columns["id"],
        "distance": _numbers(columns["distance_mm"], 1),
        "lufs": _numbers(columns["lufs"], 2),
        "di": _indexed(columns["di_sha256"])[1],
        "facets": {name: _indexed(facets[name]) for name in FACETS},
        "metrics": [
            [
                m.key,
                m.label,
                m.unit,
                m.digits,
                _numbers((r[first + k] for r in rows), 3),
            ]
            for k, m in enumerate(METRICS)
        ],
        "spots": _spots(catalogue.db, numbers),
        "audio": [_link(page, audio.locate(copies, *place)) for place in placed],
    }
