"""The captures and blends that can be put before a client, and how far they differ."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.spectrum import spectral_distance_db
from pipeline.errors import RecordError
from pipeline.models.record import Blend, Capture, Output, Record


@dataclass(frozen=True, slots=True)
class Tone:
    """One capture or blend that has audio.

    Parameters
    ----------
    id : str
        As in the record; for the engineer only.
    output : Output
        Its file.
    metrics : mapping of str to float or None
        Its measures.
    erb_db : tuple of float
        Its levels in auditory bands.
    lufs : float or None
        Its loudness, as the levels were measured.
    proposable : bool
        True for a capture without warnings that repeats no other.
    """

    id: str
    output: Output
    metrics: Mapping[str, float | None]
    erb_db: tuple[float, ...]
    lufs: float | None
    proposable: bool


def _everyone(record: Record) -> list[Capture | Blend]:
    return [*record.captures, *record.blends]


def tones(record: Record) -> dict[str, Tone]:
    """Everything with audio, by id.

    Parameters
    ----------
    record : Record
        The session.

    Returns
    -------
    dict of str to Tone
        Captures, then blends; a blend never takes a capture's id.
    """
    found: dict[str, Tone] = {}
    for one in _everyone(record):
        if one.output is None or one.curves is None or one.id in found:
            continue
        found[one.id] = Tone(
            id=one.id,
            output=one.output,
            metrics=one.metrics,
            erb_db=one.curves.erb_db,
            lufs=one.loudness.lufs if one.loudness else None,
            proposable=isinstance(one, Capture)
            and one.status == "ok"
            and not one.control,
        )
    return found


def named(record: Record, known: Mapping[str, Tone], ids: Iterable[str]) -> list[Tone]:
    """Look ids up.

    Parameters
    ----------
    record : Record
        The session.
    known : mapping of str to Tone
        Everything with audio.
    ids : iterable of str
        What the engineer asked for.

    Returns
    -------
    list of Tone
        In the order asked for.

    Raises
    ------
    RecordError
        For an id that is not there, comes twice, or has no audio.
    """
    found: list[Tone] = []
    everyone = [one.id for one in _everyone(record)]
    for id_ in ids:
        if id_ in known and known[id_] not in found:
            found.append(known[id_])
            continue
        if id_ in known:
            message = f"{id_}: named twice; name each capture once"
        elif id_ in everyone:
            message = f"{id_}: was left out of the session, there is no audio of it"
        else:
            near = get_close_matches(id_, known, n=1, cutoff=0.0)
            hint = f"; did you mean {near[0]}?" if near else ""
            message = f"{id_}: no capture or blend of this session has that id{hint}"
        raise RecordError(message)
    return found


def distances(these: Sequence[Tone]) -> NDArray[np.float64]:
    """How far tones are from each other.

    Parameters
    ----------
    these : sequence of Tone
        The tones, n of them.

    Returns
    -------
    ndarray, shape (n, n)
        RMS difference over ERB-spaced bands, dB.
    """
    levels = [np.array(one.erb_db) for one in these]
    return np.array(
        [[spectral_distance_db(a, b) for b in levels] for a in levels]
    ).reshape(len(levels), len(levels))
