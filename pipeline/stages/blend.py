"""What does a blend lose, which gains come near a tone, and how near did it come?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.dsp.mix import MicSpectra, MixPart, nearest_gains, sum_of_several
from pipeline.dsp.spectrum import spectral_distance_db
from pipeline.models.manifest import Wanted
from pipeline.models.record import Nearest


@dataclass(frozen=True, slots=True)
class Tone:
    """What tones are compared by.

    Parameters
    ----------
    erb_db : tuple of float
        Levels in the 38 bands of `erb_band_levels`; empty where too little plays.
    lufs : float
        Integrated loudness at that level.
    within : tuple of bool
        Bands that its sample rate can hold; empty for all of them.
    """

    erb_db: tuple[float, ...]
    lufs: float
    within: tuple[bool, ...] = ()


def sum_loss_db(spectra: MicSpectra, parts: Sequence[MixPart]) -> float:
    """Predict what a sum loses.

    Parameters
    ----------
    spectra : MicSpectra
        Its microphones.
    parts : sequence of MixPart
        How each goes in.

    Returns
    -------
    float
        As in `SumCurve`, in dB: below 0 where they help each other.
    """
    return round(sum_of_several(spectra, parts).sum_loss_db, 3)


def gains_near(
    spectra: MicSpectra,
    parts: Sequence[MixPart],
    tones: Sequence[Tone],
    wanted: Tone,
) -> tuple[float, ...]:
    """Search the gains at which a sum comes nearest to a tone.

    Parameters
    ----------
    spectra : MicSpectra
        Its microphones.
    parts : sequence of MixPart
        How each goes in, at gains that make all equally loud.
    tones : sequence of Tone
        Of each, before its gain.
    wanted : Tone
        What is wanted, at any level.

    Returns
    -------
    tuple of float
        Gains on top of those of the parts, in dB; 0 for the first. A `ValueError`
        is raised unless there are two to five parts, each with its bands.
    """
    found = nearest_gains(
        spectra,
        parts,
        np.array([tone.erb_db for tone in tones]),
        np.array(wanted.erb_db),
        within=np.array(wanted.within) if wanted.within else None,
    )
    return found.gains_db


def describe_nearest(
    written: Wanted, wanted: Tone, blend: Tone, parts: Mapping[str, Tone]
) -> Nearest:
    """Say how near a blend came, and whether a part alone comes nearer.

    Parameters
    ----------
    written : Wanted
        What the manifest asks for.
    wanted : Tone
        The tone that is wanted.
    blend : Tone
        The blend, as measured.
    parts : mapping of str to Tone
        Its parts by id.

    Returns
    -------
    Nearest
        Distances at equal loudness.
    """
    alone = {id_: _distance_db(tone, wanted) for id_, tone in parts.items()}
    part = min(alone, key=lambda id_: alone[id_])
    return Nearest(
        capture=written.capture,
        file=written.file,
        distance_db=round(_distance_db(blend, wanted), 3),
        part=part,
        part_distance_db=round(alone[part], 3),
    )


def _distance_db(tone: Tone, wanted: Tone) -> float:
    kept = np.array(wanted.within or [True] * len(wanted.erb_db))
    moved = np.array(wanted.erb_db) + (tone.lufs - wanted.lufs)
    return spectral_distance_db(np.array(tone.erb_db)[kept], moved[kept])
