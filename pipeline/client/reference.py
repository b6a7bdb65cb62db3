"""How close is each tone to a recording that the client likes?

The recording is brought to the tone's loudness and compared in auditory bands. A
mastered reference was limited and equalised with a whole band around it, so the
distance is a hint and no verdict.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.client.tones import Tone
from pipeline.dsp.activity import active_frames
from pipeline.dsp.kweighting import MIN_RATE_HZ
from pipeline.dsp.loudness import loudness_cells
from pipeline.dsp.spectrum import (
    ERB_NUMBERS,
    PowerSpectrum,
    average_spectrum,
    erb_band_levels,
    erb_frequency,
    spectral_distance_db,
)
from pipeline.errors import AudioError
from pipeline.files.audio import ChannelSource, probe

LONGEST_S = 600.0
WARNING = (
    "A mastered reference has another loudness, limiting and other instruments in it: "
    "the distance to it is a hint, not a verdict. Loudness was matched first."
)
LARGEST = 1e6
"""Beyond it lie only damaged files, whose power need not be a number."""
_SHORT, _NOT_FINITE, _RATE = "too_short", "not_finite", "wrong_sample_rate"


@dataclass(frozen=True, slots=True)
class Reference:
    """A recording as it is compared.

    Parameters
    ----------
    erb_db : ndarray, shape (38,)
        Levels in auditory bands.
    lufs : float
        Loudness of one channel of it.
    within : ndarray of bool, shape (38,)
        Bands that its sample rate can hold.
    """

    erb_db: NDArray[np.float64]
    lufs: float
    within: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Recording:
    """What any recording sounds like, as far as it can be told without its DI.

    Parameters
    ----------
    spectrum : PowerSpectrum
        Where it plays; the power of its channels is averaged.
    lufs : float
        Loudness of one channel of it.
    """

    spectrum: PowerSpectrum
    lufs: float


def hear_recording(path: Path) -> Recording:
    """Measure a recording from elsewhere.

    Parameters
    ----------
    path : Path
        Any audio file; of long files the first ten minutes are taken. It is only read.

    Returns
    -------
    Recording
        Its spectrum and its loudness.

    Raises
    ------
    AudioError
        If it cannot be read, its sample rate is too low for a loudness, nothing plays
        in it, or a sample is no number.
    """
    info = probe(path)
    rate = info.sample_rate_hz
    if rate < MIN_RATE_HZ:
        message = (
            f"{path}: expected a sample rate of {MIN_RATE_HZ} Hz or more, as its "
            f"loudness is measured, found {rate} Hz. Name a copy at a higher rate."
        )
        raise AudioError(_RATE, message)
    loud = 0.0
    spectra: list[PowerSpectrum] = []
    for channel in range(1, info.channels + 1):
        with ChannelSource(path, channel) as source:
            samples = source.read(0, min(source.frames, int(LONGEST_S * rate)))
        if not np.all(np.abs(samples) <= LARGEST):
            message = (
                f"{path}: channel {channel} holds samples that are no numbers, or "
                "louder than any sound (+120 dBFS). Export the file again."
            )
            raise AudioError(_NOT_FINITE, message)
        spectrum = average_spectrum(samples, rate, active_frames(samples, rate).active)
        level = loudness_cells(samples, rate).loudness().integrated_lufs
        if spectrum is not None and level is not None:
            spectra.append(spectrum)
            loud += 10.0 ** (level / 10.0)
    if not spectra:
        message = (
            f"{path}: nothing plays long enough in it to be compared, at -70 LUFS or "
            "more. Name a longer recording, or a louder copy."
        )
        raise AudioError(_SHORT, message)
    power = np.sum([one.power for one in spectra], axis=0) / info.channels
    return Recording(
        spectrum=PowerSpectrum(spectra[0].freq_hz, power, spectra[0].averages),
        lufs=float(10.0 * np.log10(loud / info.channels)),
    )


def hear_reference(path: Path) -> Reference:
    """Measure a recording that the client supplied.

    Parameters
    ----------
    path : Path
        Any audio file; an `AudioError` says why `hear_recording` cannot use it.

    Returns
    -------
    Reference
        What the tones are compared with.
    """
    found = hear_recording(path)
    upper = erb_frequency(ERB_NUMBERS + 0.5)
    return Reference(
        erb_db=erb_band_levels(found.spectrum),
        lufs=found.lufs,
        within=np.asarray(upper <= found.spectrum.freq_hz[-1], dtype=np.bool_),
    )


def rank(reference: Reference, these: Iterable[Tone]) -> dict[str, float]:
    """Distance of each tone to the reference, nearest first.

    Parameters
    ----------
    reference : Reference
        The recording.
    these : iterable of Tone
        The tones.

    Returns
    -------
    dict of str to float
        RMS difference in dB over the bands that both hold, at equal loudness; tones
        without a loudness are left out.
    """
    found: dict[str, float] = {}
    for one in these:
        levels = np.array(one.erb_db)
        if one.lufs is None or levels.shape != reference.erb_db.shape:
            continue
        moved = reference.erb_db + (one.lufs - reference.lufs)
        kept = reference.within
        found[one.id] = spectral_distance_db(levels[kept], moved[kept])
    return dict(sorted(found.items(), key=lambda item: item[1]))
