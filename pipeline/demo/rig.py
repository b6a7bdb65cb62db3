"""What the phrase was played through: amp, speaker, microphone.

The amp is the only part that bends the wave: it runs at four times the rate, so
that the harmonics it makes do not fold back. Speaker and microphone are colours:
levels in dB over `grid_hz()`, to be added up and made minimum phase.

Numbers without a source are common practice: a guitar speaker does little above
6 kHz, a ribbon falls off early, a dynamic has a presence hump, a condenser rises.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from pipeline.demo.colour import (
    OVERSAMPLING,
    SAMPLE_RATE_HZ,
    Level,
    bell,
    high_pass,
    low_pass,
    shelf,
)

Samples = NDArray[np.float64]
MicName = Literal["bright", "dark", "dynamic", "room"]
AmpName = Literal["edge", "high"]

_FINE_HZ = OVERSAMPLING * SAMPLE_RATE_HZ
_CAP_RADIUS_M = 0.030
_SIDE_SHARE_DB = -20.0
_PISTON_KNEE = 1.8


@dataclass(frozen=True, slots=True)
class Amp:
    """A row of gain stages and a power stage.

    Parameters
    ----------
    gains_db : tuple of float
        Gain ahead of each stage; full scale in gives 1.0 at 0 dB.
    low_cut_hz : float
        High-pass ahead of the first stage; keeps high gain tight.
    bias : float
        Offset of the stages, to one side and the other; makes even harmonics.
    bright_db : float
        High shelf ahead of the power stage, from 2 kHz.
    """

    gains_db: tuple[float, ...]
    low_cut_hz: float
    bias: float
    bright_db: float


AMPS: dict[AmpName, Amp] = {
    "edge": Amp((15.0, 2.0), 70.0, 0.25, 3.0),
    "high": Amp((22.0, 15.0, 13.0), 150.0, 0.35, 2.0),
}
_STAGE_TOPS_HZ = (14_000.0, 11_000.0, 9_000.0)


def pole_samples(amp: Amp) -> float:
    """Delay of an amp's poles above the band, which no capture can tell from flight.

    Parameters
    ----------
    amp : Amp
        The setting.

    Returns
    -------
    float
        Samples at 48 kHz: 1/(2 pi f) for each pole, its group delay far below f.
    """
    tops_hz = _STAGE_TOPS_HZ[: len(amp.gains_db)]
    return sum(SAMPLE_RATE_HZ / (2.0 * np.pi * top_hz) for top_hz in tops_hz)


def amplify(dry: Samples, amp: Amp) -> Samples:
    """Play a DI through an amp.

    Parameters
    ----------
    dry : numpy.ndarray
        Mono audio at 48 kHz, starting and ending in silence.
    amp : Amp
        The setting.

    Returns
    -------
    numpy.ndarray
        The amp's output, as long as `dry`, RMS 1. Every filter is causal with its
        onset at zero, and the output has the sign of the input.
    """
    frames = fft.next_fast_len(len(dry) + 4096, real=True)
    wave = fft.irfft(fft.rfft(dry, frames), OVERSAMPLING * frames) * OVERSAMPLING
    wave = _pass("highpass", amp.low_cut_hz, wave)
    side = 1.0
    for gain_db, top_hz in zip(amp.gains_db, _STAGE_TOPS_HZ, strict=False):
        wave = _pass("lowpass", top_hz, wave)
        wave = _stage(wave * 10.0 ** (gain_db / 20.0), side * amp.bias)
        wave = _pass("highpass", 25.0, wave)
        side = -0.5 * side
    wave = np.tanh(1.2 * _brighten(wave, amp.bright_db))
    fine = fft.rfft(_pass("highpass", 40.0, wave))
    loud = fft.irfft(fine[: frames // 2 + 1], frames)[: len(dry)]
    return np.asarray(loud / np.sqrt(np.mean(loud**2)))


def _pass(
    kind: Literal["lowpass", "highpass"], corner_hz: float, x: Samples
) -> Samples:
    """One pole, as a resistor and a capacitor make it."""
    numerator, denominator = signal.butter(1, corner_hz, kind, fs=_FINE_HZ)
    return np.asarray(signal.lfilter(numerator, denominator, x))


def _stage(wave: Samples, bias: float) -> Samples:
    """Limit softly, leaning to one side; a pair of stages keeps the sign."""
    return np.asarray(np.tanh(wave + bias) - np.tanh(bias))


def _brighten(wave: Samples, gain_db: float) -> Samples:
    """Add part of the high-passed wave to itself: a first-order shelf."""
    share = 10.0 ** (gain_db / 20.0) - 1.0
    return np.asarray(wave + share * _pass("highpass", 2000.0, wave))


def speaker_level(frequency_hz: Level, speaker: str) -> Level:
    """Level of a speaker in its cabinet, on its axis.

    Parameters
    ----------
    frequency_hz : numpy.ndarray
        Frequencies in Hz.
    speaker : {"upper", "lower"}
        The lower one has aged: 2 dB quieter and a little duller.

    Returns
    -------
    numpy.ndarray
        Level in dB.
    """
    level_db = high_pass(frequency_hz, 85.0, 2.0)
    level_db += bell(frequency_hz, 115.0, 0.4, 3.0)
    level_db += bell(frequency_hz, 430.0, 0.7, -3.0)
    level_db += bell(frequency_hz, 2700.0, 0.55, 6.0)
    level_db += bell(frequency_hz, 3900.0, 0.12, -2.5)
    rolled_db = low_pass(frequency_hz, 5100.0, 4.0)
    level_db += 10.0 * np.log10(10.0 ** (rolled_db / 10.0) + 10.0**-4.8)
    if speaker == "lower":
        level_db += -2.0 + bell(frequency_hz, 3200.0, 0.5, -0.9)
    return level_db


def beam_level(frequency_hz: Level, angle_rad: float, radius_m: float) -> Level:
    """Level of a piston off its axis, against its axis, without the lobes.

    The far field of a piston is 2 J1(x)/x with x = k a sin(angle); its envelope
    falls as x to the power 1.5 (textbook acoustics, cited from memory), down to what
    edges and the rest of the cone scatter, 20 dB below. Beyond a right angle the
    piston is taken as seen edge-on.

    Parameters
    ----------
    frequency_hz : numpy.ndarray
        Frequencies in Hz.
    angle_rad : float
        Angle off the axis.
    radius_m : float
        Radius of the piston in metres.

    Returns
    -------
    numpy.ndarray
        Level in dB, 0 on the axis.
    """
    sine = np.sin(min(abs(angle_rad), np.pi / 2.0))
    argument = 2.0 * np.pi * frequency_hz / 343.0 * radius_m * sine
    beam = (1.0 + (argument / _PISTON_KNEE) ** 2) ** -1.5
    scattered = 10.0 ** (_SIDE_SHARE_DB / 10.0)
    return np.asarray(10.0 * np.log10((beam + scattered) / (1.0 + scattered)))


def cone_level(frequency_hz: Level, speaker: str, angle_rad: float) -> Level:
    """Level of a speaker at an angle off its cap's axis.

    Treble leaves a cone from the cap and the ring around it, because the outer cone
    no longer follows; so a place is dull in so far as it sees the cap from the side.

    Parameters
    ----------
    frequency_hz : numpy.ndarray
        Frequencies in Hz.
    speaker : {"upper", "lower"}
        Which speaker.
    angle_rad : float
        Angle between the speaker's axis and the line from the cap to the place.

    Returns
    -------
    numpy.ndarray
        Level in dB.
    """
    level_db = speaker_level(frequency_hz, speaker)
    level_db += beam_level(frequency_hz, angle_rad, _CAP_RADIUS_M)
    return level_db


@dataclass(frozen=True, slots=True)
class _Capsule:
    """How a microphone hears direction: pressure and gradient shares."""

    gradient: float
    body_radius_m: float


_CAPSULES: dict[MicName, _Capsule] = {
    "bright": _Capsule(0.5, 0.0125),
    "dark": _Capsule(1.0, 0.014),
    "dynamic": _Capsule(0.5, 0.014),
    "room": _Capsule(0.35, 0.008),
}
_EXTENDED_SOURCE_M = 0.11


def mic_level(
    frequency_hz: Level, mic: MicName, distance_m: float, incidence_rad: float
) -> Level:
    """Level of a microphone towards sound from a distance and a direction.

    A capsule that takes part of the pressure's gradient lifts the bass of a near
    source by 1 + g c/(j w r) (textbook acoustics) and hears less from the side; a
    cone is no point, so r is not taken as less than about its radius.

    Parameters
    ----------
    frequency_hz : numpy.ndarray
        Frequencies in Hz.
    mic : {"bright", "dark", "dynamic", "room"}
        Which microphone.
    distance_m : float
        Length of the path in metres.
    incidence_rad : float
        Angle between the microphone's axis and the sound's arrival.

    Returns
    -------
    numpy.ndarray
        Level in dB.
    """
    capsule = _CAPSULES[mic]
    reach_m = np.hypot(distance_m, _EXTENDED_SOURCE_M)
    corner_hz = capsule.gradient * 343.0 / (2.0 * np.pi * reach_m)
    level_db = 10.0 * np.log10(1.0 + (corner_hz / frequency_hz) ** 2)
    side = (1.0 - capsule.gradient) + capsule.gradient * abs(np.cos(incidence_rad))
    level_db += 20.0 * np.log10(max(side, 0.05))
    level_db += beam_level(frequency_hz, incidence_rad, capsule.body_radius_m)
    level_db += _voice(frequency_hz, mic)
    return np.asarray(level_db)


def _voice(frequency_hz: Level, mic: MicName) -> Level:
    """Draw what a microphone does to sound from the front, far away."""
    if mic == "bright":
        level_db = high_pass(frequency_hz, 28.0, 2.0)
        level_db += bell(frequency_hz, 9000.0, 0.8, 4.0)
        return level_db + low_pass(frequency_hz, 21_000.0, 2.0)
    if mic == "dark":
        level_db = high_pass(frequency_hz, 32.0, 2.0)
        level_db += shelf(frequency_hz, 3800.0, -5.0)
        return level_db + low_pass(frequency_hz, 12_500.0, 2.0)
    if mic == "dynamic":
        level_db = high_pass(frequency_hz, 75.0, 2.0)
        level_db += bell(frequency_hz, 5600.0, 0.6, 5.0)
        return level_db + low_pass(frequency_hz, 14_500.0, 3.0)
    level_db = high_pass(frequency_hz, 24.0, 2.0)
    return level_db + low_pass(frequency_hz, 19_000.0, 2.0)
