"""Named weightings for a shortlist: plain formulas over metrics, never a hidden score.

A few are built in; a library's own stand in its ``judgements.toml``::

    [thick]
    formula = "body_db + 0.5 * mud_db - presence_db"
    why = "Low end against bite."

An own one of the same name replaces a built-in one.
"""

import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.library.asking import Asking
from pipeline.library.catalogue import JUDGEMENTS, Catalogue
from pipeline.library.find import answers, facts
from pipeline.library.formula import Formula
from pipeline.library.nearest import SHOWN
from pipeline.library.refusals import QueryError


@dataclass(frozen=True, slots=True)
class Judgement:
    """One named weighting.

    Parameters
    ----------
    name : str
        What it is called.
    formula : Formula
        Higher is more of it.
    why : str
        What it rests on.
    own : bool
        Whether it is the library's own.
    """

    name: str
    formula: Formula
    why: str
    own: bool = False


BUILT_IN = (
    Judgement(
        "cuts through",
        Formula("presence_db - 0.5 * mud_db + 6 * log2(brightness_hz / 1500)"),
        "Energy from 2.5 to 5 kHz counts for it, energy from 200 to 400 Hz half as "
        "much against it, an octave of brightness as much as 6 dB. Common practice, "
        "no source.",
    ),
    Judgement(
        "thick",
        Formula("body_db + 0.5 * mud_db - 0.5 * presence_db"),
        "Energy from 80 to 200 Hz and half of that from 200 to 400 Hz, against half of "
        "that from 2.5 to 5 kHz. Common practice, no source.",
    ),
    Judgement(
        "quiet floor",
        Formula("-max(noise_dbfs, hum_db - 23)"),
        "How far noise and hum stay down, whichever is worse; hum is stated against "
        "the music, which lies near -23 dBFS after levelling. Common practice, no "
        "source.",
    ),
)


def judgements(root: Path) -> dict[str, Judgement]:
    """List the judgements of a library.

    Parameters
    ----------
    root : Path
        Its folder.

    Returns
    -------
    dict of str to Judgement
        By name.

    Raises
    ------
    QueryError
        If the library's own file cannot be read; the message says where.
    """
    found = {judgement.name: judgement for judgement in BUILT_IN}
    path = root / JUDGEMENTS
    if not path.exists():
        return found
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        msg = f"{path}: cannot be read ({error})."
        raise QueryError(msg) from error
    for name, table in tables.items():
        found[name] = _own(path, name, table)
    return found


def _own(path: Path, name: str, table: object) -> Judgement:
    known = {"formula", "why"}
    if not isinstance(table, dict) or not isinstance(table.get("formula"), str):
        msg = f'{path}: [{name}] needs formula = "..." over metrics.'
        raise QueryError(msg)
    if strays := sorted(set(table) - known):
        msg = f"{path}: [{name}] has {', '.join(strays)}; known are formula and why."
        raise QueryError(msg)
    try:
        formula = Formula(table["formula"])
    except QueryError as error:
        msg = f"{path}: [{name}] cannot be used: {error} Mend it there or take it out."
        raise QueryError(msg) from error
    return Judgement(name, formula, str(table.get("why", "")), own=True)


def named(root: Path, name: str) -> Judgement:
    """Find a judgement, or take the text for a formula.

    Parameters
    ----------
    root : Path
        The library's folder.
    name : str
        A name, or a formula itself.

    Returns
    -------
    Judgement
        The one of that name, or an unnamed one.

    Raises
    ------
    QueryError
        If it is neither a name nor a formula.
    """
    known = judgements(root)
    if name in known:
        return known[name]
    try:
        return Judgement(name, Formula(name), "")
    except QueryError as error:
        msg = f"no judgement {name!r}; known: {', '.join(known)}. As a {error}"
        raise QueryError(msg) from error


@dataclass(frozen=True, slots=True)
class Judged:
    """One capture with its value and what it came from.

    Parameters
    ----------
    number : int
        Of the capture.
    value : float
        Of the formula.
    metrics : tuple of float
        In the order of the formula's keys.
    facts : tuple
        Values of the columns that were asked for.
    """

    number: int
    value: float
    metrics: tuple[float, ...]
    facts: tuple[str | float | None, ...]


def rank(
    catalogue: Catalogue,
    judgement: Judgement,
    conditions: tuple[str, ...] = (),
    *,
    words: str = "",
    count: int | None = 10,
    columns: tuple[str, ...] = SHOWN,
) -> list[Judged]:
    """Rank captures by a judgement.

    Parameters
    ----------
    catalogue : Catalogue
        An open library.
    judgement : Judgement
        The formula.
    conditions : tuple of str
        Only captures for which all hold.
    words : str
        Only captures in which all occur.
    count : int, optional
        At most so many.
    columns : tuple of str
        What is shown of each.

    Returns
    -------
    list of Judged
        Highest first; captures that lack one of the metrics are left out.
    """
    keys = judgement.formula.keys
    where = Asking(catalogue.db).where(words, conditions)
    rows = answers(catalogue.db, ("number", *keys), where)
    if not rows or not keys:
        return []
    table = np.array(rows, dtype=np.float64)
    values = judgement.formula.values(dict(zip(keys, table.T[1:], strict=True)))
    known = np.flatnonzero(~np.isnan(values))
    best = known[np.argsort(-values[known], kind="stable")][:count]
    numbers = [int(n) for n in table[best, 0]]
    shown = facts(catalogue.db, numbers, columns)
    return [
        Judged(number, float(values[k]), tuple(table[k, 1:].tolist()), about)
        for number, k, about in zip(numbers, best, shown, strict=True)
    ]
