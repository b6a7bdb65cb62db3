"""Where a capture's energy lies, in figures behind the words of the trade.

All measures take average power spectra over the frames in which the DI plays;
the capture's noise print is subtracted first, and power weighting is used
throughout, because hiss 30 dB below the music moves an amplitude-weighted
centroid by hundreds of Hz and a power-weighted one hardly. Bands are defaults
of common practice: charts disagree, so print the Hz beside every word.
"""

import numpy as np

from pipeline.dsp.spectrum import (
    LOWEST_DB,
    PowerSpectrum,
    band_power,
    third_octave_bands,
    third_octave_levels,
)

WHOLE_HZ = (20.0, 20_000.0)
BRIGHTNESS_HZ = (80.0, 10_000.0)
TILT_HZ = (100.0, 5000.0)
BODY_HZ = (80.0, 200.0)
MUD_HZ = (200.0, 400.0)
PRESENCE_HZ = (2500.0, 5000.0)
FIZZ_HZ = (5500.0, 10_000.0)
LOWEST_SHARE_DB = -90.0

OCTAVES_PER_BAND = np.log2(10.0**0.1)


def brightness_hz(
    spectrum: PowerSpectrum, noise: PowerSpectrum | None = None
) -> float | None:
    """Power-weighted spectral centroid from 80 Hz to 10 kHz.

    Parameters
    ----------
    spectrum : PowerSpectrum
        Capture while the DI plays.
    noise : PowerSpectrum, optional
        Capture while the DI is silent, subtracted.

    Returns
    -------
    float or None
        sum(f P) / sum(P) in Hz; higher is brighter. None without power there.
        The spectral centroid orders brightness reliably in listening tests.
    """
    clean = spectrum.without(noise)
    inside = (clean.freq_hz >= BRIGHTNESS_HZ[0]) & (clean.freq_hz <= BRIGHTNESS_HZ[1])
    power = clean.power[inside]
    total = float(power.sum())
    if total <= 0.0:
        return None
    return float((clean.freq_hz[inside] * power).sum() / total)


def tilt_db_per_octave(
    spectrum: PowerSpectrum, noise: PowerSpectrum | None = None
) -> float | None:
    """Slope of the third-octave levels from 100 Hz to 5 kHz.

    Parameters
    ----------
    spectrum : PowerSpectrum
        Capture while the DI plays.
    noise : PowerSpectrum, optional
        Capture while the DI is silent, subtracted.

    Returns
    -------
    float or None
        Least-squares slope over 18 bands (IEC 61260-1) in dB per octave; pink
        noise is 0, white +3.01, and more negative is darker. None if a band
        holds no power after subtraction. Common practice, no source.
    """
    levels = third_octave_levels(spectrum.without(noise))
    inside = np.array(
        [
            TILT_HZ[0] * 0.99 < b.centre_hz < TILT_HZ[1] * 1.01
            for b in third_octave_bands()
        ]
    )
    used = levels[inside]
    if used.min() <= max(LOWEST_SHARE_DB + used.max(), LOWEST_DB):
        return None
    octaves = np.arange(len(used)) * OCTAVES_PER_BAND
    return float(np.polyfit(octaves, used, 1)[0])


def band_share_db(
    spectrum: PowerSpectrum,
    band_hz: tuple[float, float],
    noise: PowerSpectrum | None = None,
) -> float | None:
    """Level of a band relative to the whole (20 Hz to 20 kHz).

    Parameters
    ----------
    spectrum : PowerSpectrum
        Capture while the DI plays.
    band_hz : tuple of float
        Lower and upper edge in Hz.
    noise : PowerSpectrum, optional
        Capture while the DI is silent, subtracted.

    Returns
    -------
    float or None
        10 log10(power in the band / power in all), at most 0 and not below
        -90 dB. None for a capture without power.
    """
    clean = spectrum.without(noise)
    low = np.array([band_hz[0], WHOLE_HZ[0]])
    high = np.array([band_hz[1], WHOLE_HZ[1]])
    part, whole = band_power(clean, low, high)
    if whole <= 0.0:
        return None
    lowest = 10.0 ** (LOWEST_SHARE_DB / 10.0)
    return float(10.0 * np.log10(max(part / whole, lowest)))


def body_db(
    spectrum: PowerSpectrum, noise: PowerSpectrum | None = None
) -> float | None:
    """Share of 80 to 200 Hz: weight, body.

    Parameters
    ----------
    spectrum, noise : PowerSpectrum
        As in `band_share_db`.

    Returns
    -------
    float or None
        dB relative to the whole; higher is weightier. Common practice.
    """
    return band_share_db(spectrum, BODY_HZ, noise)


def mud_db(spectrum: PowerSpectrum, noise: PowerSpectrum | None = None) -> float | None:
    """Share of 200 to 400 Hz: mud, wool.

    Parameters
    ----------
    spectrum, noise : PowerSpectrum
        As in `band_share_db`.

    Returns
    -------
    float or None
        dB relative to the whole; higher is muddier. Common practice.
    """
    return band_share_db(spectrum, MUD_HZ, noise)


def presence_db(
    spectrum: PowerSpectrum, noise: PowerSpectrum | None = None
) -> float | None:
    """Share of 2.5 to 5 kHz: presence, bite.

    Parameters
    ----------
    spectrum, noise : PowerSpectrum
        As in `band_share_db`.

    Returns
    -------
    float or None
        dB relative to the whole; higher is more present. Common practice.
    """
    return band_share_db(spectrum, PRESENCE_HZ, noise)


def fizz_db(
    spectrum: PowerSpectrum, noise: PowerSpectrum | None = None
) -> float | None:
    """Share of 5.5 to 10 kHz: fizz, sizzle.

    Parameters
    ----------
    spectrum, noise : PowerSpectrum
        As in `band_share_db`.

    Returns
    -------
    float or None
        dB relative to the whole; higher is fizzier. Common practice.
    """
    return band_share_db(spectrum, FIZZ_HZ, noise)
