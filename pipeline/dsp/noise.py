"""What a capture does while its DI is silent: noise floor and mains hum.

Only silences of the DI are looked at (see `activity`), because a low G (49.0 Hz),
D (146.8 Hz) or G (196.0 Hz) lies within two percent of a mains harmonic. Levels
are dB re a mean square of 1.0 of whatever is passed in: pass the levelled
capture, since a quiet capture lifts its noise with the gain.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.activity import Activity
from pipeline.dsp.spectrum import PowerSpectrum
from pipeline.units import db_from_power

Float = NDArray[np.float64]

MAINS_HZ = (50, 60)
HIGHEST_HUM_HZ = 1000.0
LEAST_QUIET_FRAMES = 4
LEAST_LINES = 2
LOW_LINES = 3

# A mains frequency wanders by 0.4 percent at most, a line is located to 0.4 Hz.
TOLERANCE_HZ = 0.4
TOLERANCE_SHARE = 0.004

# A line must stand so far above the bins beside it. Fewer averages scatter more.
PROMINENCE_DB = 10.0
PROMINENCE_FEW_DB = 14.0
FEW_AVERAGES = 8
LONE_LINE_DB = 20.0

_NEAR_BINS = 2
_BESIDE_BINS = (4, 8)
_SILENT = 1e-14


@dataclass(frozen=True, slots=True)
class HumLine:
    """One harmonic of the mains.

    Attributes
    ----------
    hz : float
        Where it was found, by interpolation.
    power : float
        Mean square, full scale 1.0.
    prominence_db : float
        Height above the noise beside it.
    """

    hz: float
    power: float
    prominence_db: float


@dataclass(frozen=True, slots=True)
class Hum:
    """A family of mains harmonics.

    Attributes
    ----------
    base_hz : int
        50 or 60.
    lines : tuple of HumLine
        Harmonics that stand out, rising in frequency.
    """

    base_hz: int
    lines: tuple[HumLine, ...]

    @property
    def power(self) -> float:
        """Mean square of all lines together."""
        return sum(line.power for line in self.lines)

    @property
    def level_dbfs(self) -> float:
        """Level of all lines together, dB re a mean square of 1.0."""
        return db_from_power(self.power)


def noise_dbfs(capture_power: Float, activity: Activity) -> float | None:
    """Noise floor in the DI's silences.

    Parameters
    ----------
    capture_power : ndarray, shape (frames,)
        `activity.frame_power` of the capture on the DI's time.
    activity : Activity
        Of the DI, narrowed to where the capture has samples of its own.

    Returns
    -------
    float or None
        Median level of the quiet frames in dB re a mean square of 1.0 (a
        full-scale sine reads -3.01); lower is better. Frames of digital silence
        do not count. None with less than 0.2 s of noise to look at.
    """
    quiet = capture_power[activity.quiet[: len(capture_power)]]
    heard = quiet[quiet > _SILENT]
    if len(heard) < LEAST_QUIET_FRAMES:
        return None
    return db_from_power(float(np.median(heard)))


def find_hum(noise: PowerSpectrum | None) -> Hum | None:
    """Find the family of mains harmonics in a noise print.

    Parameters
    ----------
    noise : PowerSpectrum or None
        Average spectrum over the DI's silences.

    Returns
    -------
    Hum or None
        The stronger of the 50 and the 60 Hz family. A family needs two lines
        that stand out, one of them among the first three harmonics, or a single
        one there by 20 dB. None if neither is there.
    """
    if noise is None:
        return None
    found = [hum for base in MAINS_HZ if (hum := _family(noise, base)) is not None]
    # 300, 600 and 900 Hz belong to both families and decide nothing.
    return max(found, key=_own_power, default=None)


def _own_power(hum: Hum) -> float:
    return sum(line.power for line in hum.lines if round(line.hz / 10.0) % 30)


def _family(noise: PowerSpectrum, base_hz: int) -> Hum | None:
    harmonics = range(1, int(HIGHEST_HUM_HZ / base_hz) + 1)
    lines = {k: _line(noise, k * base_hz) for k in harmonics}
    few = noise.averages < FEW_AVERAGES
    least_db = PROMINENCE_FEW_DB if few else PROMINENCE_DB
    found = {
        k: line for k, line in lines.items() if line and line.prominence_db >= least_db
    }
    low = [line for k, line in found.items() if k <= LOW_LINES]
    lone = any(line.prominence_db >= LONE_LINE_DB for line in low)
    if not low or (len(found) < LEAST_LINES and not lone):
        return None
    return Hum(base_hz, tuple(found.values()))


def _line(noise: PowerSpectrum, hz: float) -> HumLine | None:
    """Look for a line near a frequency; None if nothing peaks there."""
    step = float(noise.freq_hz[1] - noise.freq_hz[0])
    middle = round(hz / step)
    first, last = middle - _BESIDE_BINS[1], middle + _BESIDE_BINS[1]
    if first < 1 or last >= len(noise.power):
        return None
    peak = middle - 1 + int(np.argmax(noise.power[middle - 1 : middle + 2]))
    around = noise.power[peak - 1 : peak + 2]
    if around.argmax() != 1 or around.min() <= 0.0:
        return None
    beside = [noise.power[first : middle - _BESIDE_BINS[0] + 1]]
    beside += [noise.power[middle + _BESIDE_BINS[0] : last + 1]]
    background = float(np.median(np.concatenate(beside)))
    below, top, above = np.log(around)
    # The log of a Hann window's main lobe is a parabola to 0.05 bin.
    offset = 0.5 * (below - above) / (below - 2.0 * top + above)
    at_hz = (peak + float(offset)) * step
    if abs(at_hz - hz) > TOLERANCE_HZ + TOLERANCE_SHARE * hz or background <= 0.0:
        return None
    lobe = noise.power[peak - _NEAR_BINS : peak + _NEAR_BINS + 1]
    power = float(np.maximum(lobe - background, 0.0).sum()) * step
    return HumLine(at_hz, power, db_from_power(float(around[1]) / background))


def hum_db(hum: Hum | None, music_mean_square: float) -> float | None:
    """Level of the hum against the music.

    Parameters
    ----------
    hum : Hum or None
        From the capture's noise print.
    music_mean_square : float
        Mean square of the capture while the DI plays.

    Returns
    -------
    float or None
        dB relative to the playing; lower is better. None if no hum was found.
    """
    if hum is None or music_mean_square <= 0.0:
        return None
    return hum.level_dbfs - db_from_power(music_mean_square)
