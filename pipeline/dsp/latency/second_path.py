"""Two paths from the speaker to the microphone: which one is the direct one.

A later path that is weaker leaves a response of minimum phase, and the excess delay
is the direct path's. A later path that is louder (a second speaker nearer to the
axis, a strong reflection, a phase-inverting baffle) does not: the excess phase then
follows the loud one. But a chain of minimum phase, freed from its colour, has nothing
ahead of its delay, so an earlier pulse is the direct path. With both known, the pair
1 + ratio exp(-i 2 pi f delay) is divided out, and what is left is of minimum phase
again: how well it agrees with one delay is what the pair is refined by.

Source: the zeros of a two-path response lie outside the unit circle where the later
path is louder (Oppenheim and Schafer, Discrete-Time Signal Processing, minimum-phase
and all-pass decomposition).
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.latency.excess import (
    FINER,
    ExcessDelay,
    agreement_over_delay,
    band_weight,
    excess_delay,
)
from pipeline.dsp.latency.minimum_phase import (
    Band,
    Colour,
    measure_colour,
    minimum_phase,
    usable_band,
)
from pipeline.dsp.latency.results import SecondPath
from pipeline.dsp.latency.spectra import ClipSpectra

NEAREST_S = 0.0003
FARTHEST_S = 0.012
# Ordinary captures of 100 scenes showed nothing above .23 ahead of the delay.
EARLY_SHARE = 0.3
LATE_SHARE = 0.6
MOST_RATIO = 1.0 / EARLY_SHARE
WEIGHT_CAP = 3.0
LARGEST_GAIN = 3.0
# The pair's notches are deep; a bin in one says little and is not blown up.
DEEPEST = 0.15
RATIO_STEP = 1.25
DELAY_STEP_S = 1.0 / 48000.0
ROUNDS = 6
ONE_DELAY = 0.9
LEFT = 0.7


@dataclass(frozen=True, slots=True)
class Suspect:
    """A pair of paths as the pulses show it, before it is refined.

    Attributes
    ----------
    shift_samples : float
        Where the direct path lies against the lag taken out.
    path : SecondPath
        The later one.
    """

    shift_samples: float
    path: SecondPath


def _pulses(
    spectra: ClipSpectra, colour: Colour, band: Band, excess: ExcessDelay
) -> NDArray[np.float64]:
    """Response without its colour, its delay at 0; `FINER` points a sample."""
    freq = spectra.freq_hz
    cross = spectra.cross.sum(axis=0, dtype=np.complex128)
    power = spectra.power_di.sum(axis=0, dtype=np.float64)
    weight = np.minimum(band_weight(spectra.coherence(), freq, band), WEIGHT_CAP)
    pitch = np.log(np.maximum(freq, 1.0))
    size = np.interp(pitch, np.log(colour.freq_hz), colour.log_magnitude)
    exponent = size + 1j * minimum_phase(colour, band, freq)
    flat = excess.sign * cross / (power + 1e-30) / np.exp(exponent)
    flat /= np.maximum(1.0, np.abs(flat) / LARGEST_GAIN)
    curve = agreement_over_delay(weight * flat / (weight.sum() + 1e-30), spectra.nfft)
    return np.roll(curve, -round(excess.delay_samples * FINER))


def suspect_second_path(
    spectra: ClipSpectra, colour: Colour, band: Band, excess: ExcessDelay
) -> Suspect | None:
    """Look for a strong pulse ahead of the excess delay, or one behind as strong.

    Parameters
    ----------
    spectra : ClipSpectra
        Spectra over all clips.
    colour : Colour
        Their colour.
    band : Band
        The usable band.
    excess : ExcessDelay
        Their excess delay.

    Returns
    -------
    Suspect or None
        None where one path stands alone, 0.3 to 12 ms on either side.
    """
    curve = _pulses(spectra, colour, band, excess)
    rate = spectra.sample_rate_hz
    near, far = (round(s * rate * FINER) for s in (NEAREST_S, FARTHEST_S))
    before, after, own = curve[-far:-near], curve[near:far], float(curve[0])
    if own <= 0.0:
        return None
    early, late = int(np.argmax(np.abs(before))), int(np.argmax(np.abs(after)))
    if abs(before[early]) > EARLY_SHARE * own:
        apart = (far - early) / FINER
        path = SecondPath(apart, own / float(before[early]))
        return Suspect(excess.delay_samples - apart, path)
    if abs(after[late]) > LATE_SHARE * own:
        path = SecondPath((near + late) / FINER, float(after[late]) / own)
        return Suspect(excess.delay_samples, path)
    return None


def without(spectra: ClipSpectra, path: SecondPath) -> ClipSpectra:
    """Divide a pair of paths out of spectra that were read at the direct one.

    Parameters
    ----------
    spectra : ClipSpectra
        With both paths.
    path : SecondPath
        The later one.

    Returns
    -------
    ClipSpectra
        As if there were the direct path alone; coherence is unchanged.
    """
    turn = -2j * np.pi * spectra.freq_hz / spectra.sample_rate_hz
    pair = 1.0 + path.ratio * np.exp(turn * path.delay_samples)
    size = np.abs(pair)
    kept = np.maximum(size, DEEPEST * (1.0 + abs(path.ratio)))
    pair *= kept / (size + 1e-30)
    return replace(
        spectra,
        cross=(spectra.cross / pair).astype(np.complex64),
        power_capture=(spectra.power_capture / kept**2).astype(np.float32),
    )


@dataclass(frozen=True, slots=True)
class Parted:
    """Spectra from which the second path was taken.

    Attributes
    ----------
    path : SecondPath
        The later path.
    spectra : ClipSpectra
        The direct path alone.
    excess : ExcessDelay
        Its excess delay.
    """

    path: SecondPath
    spectra: ClipSpectra
    excess: ExcessDelay


def _part(spectra: ClipSpectra, path: SecondPath) -> Parted | None:
    """Take a path out and measure what is left."""
    alone = without(spectra, path)
    colour = measure_colour(alone)
    band = usable_band(colour)
    if band is None:
        return None
    return Parted(path, alone, excess_delay(alone, colour, band))


def _neighbours(path: SecondPath, ratio: float, samples: float) -> Iterator[SecondPath]:
    """Yield paths a step away."""
    for factor in (ratio, 1.0 / ratio):
        if abs(path.ratio) * factor <= MOST_RATIO:
            yield replace(path, ratio=path.ratio * factor)
    for step in (samples, -samples):
        yield replace(path, delay_samples=path.delay_samples + step)


def part_paths(
    spectra: ClipSpectra, path: SecondPath, agreement: float
) -> Parted | None:
    """Refine a pair of paths until the direct one alone is of minimum phase.

    Parameters
    ----------
    spectra : ClipSpectra
        Read at the direct path.
    path : SecondPath
        The later one, as the pulses show it.
    agreement : float
        Agreement of the whole with one delay. The direct path alone must reach .9
        and leave no more than seven tenths of what was missing to 1.

    Returns
    -------
    Parted or None
        None if the pair does not explain what was seen.
    """
    best = _part(spectra, path)
    if best is None:
        return None
    ratio, samples = RATIO_STEP, DELAY_STEP_S * spectra.sample_rate_hz
    for _ in range(ROUNDS):
        for trial in list(_neighbours(best.path, ratio, samples)):
            other = _part(spectra, trial)
            if other and other.excess.agreement > best.excess.agreement:
                best = other
        ratio, samples = ratio**0.6, 0.5 * samples
    least = max(ONE_DELAY, 1.0 - LEFT * (1.0 - agreement))
    return best if best.excess.agreement >= least else None
