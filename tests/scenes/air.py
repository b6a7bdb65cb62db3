"""From speaker to file: colours, distances, floor, room and converter delay.

A ``Path`` is one arrival (delay in samples of the base rate, linear gain). The
whole linear part is applied as one spectrum, so delays are exact fractions.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft, signal

from .arrays import Array, Spectrum
from .colours import GRID

SPEED_OF_SOUND_M_S = 343.2


@dataclass(frozen=True, slots=True)
class Path:
    """One arrival: ``delay_samples`` after the chain's onset, and its gain."""

    delay_samples: float
    gain: float
    dull_hz: float | None = None


def flight_samples(distance_m: float, sample_rate_hz: int) -> float:
    """Return the time of flight over a distance, in samples."""
    return distance_m / SPEED_OF_SOUND_M_S * sample_rate_hz


def floor_path(height_m: float, distance_m: float, sample_rate_hz: int) -> Path:
    """Return the floor's image arrival relative to the direct one.

    Speaker and microphone stand at the same height; the floor keeps 70 % of
    the amplitude and dulls it above 6 kHz.
    """
    reflected_m = float(np.hypot(distance_m, 2 * height_m))
    delay = flight_samples(reflected_m - distance_m, sample_rate_hz)
    return Path(delay, 0.7 * distance_m / reflected_m, 6_000.0)


def paths_response(paths: tuple[Path, ...], sample_rate_hz: int) -> Spectrum:
    """Return the sum of the arrivals on the grid of the colours."""
    frequency_hz = np.fft.rfftfreq(GRID, 1 / sample_rate_hz)
    turn = -2j * np.pi * frequency_hz / sample_rate_hz
    total = np.zeros(frequency_hz.size, complex)
    for path in paths:
        arrival = path.gain * np.exp(turn * path.delay_samples)
        if path.dull_hz is not None:
            arrival /= 1 + 1j * frequency_hz / path.dull_hz
        total += arrival
    return total


def room_tail(
    rng: np.random.Generator, direct_to_room_db: float, sample_rate_hz: int
) -> Array:
    """Return a room after a unit direct sound: decaying noise from 3 to 12 ms on.

    The decay time is 0.2 to 0.6 s and the energy of the tail lies
    ``direct_to_room_db`` below that of the direct sound.
    """
    decay_s = rng.uniform(0.2, 0.6)
    time_s = np.arange(round(decay_s * sample_rate_hz)) / sample_rate_hz
    tail = rng.normal(0.0, 1.0, time_s.size) * 10 ** (-3 * time_s / decay_s)
    onset_s = rng.uniform(0.003, 0.012)
    tail *= 1 - np.exp(-np.maximum(0, time_s - onset_s) / 0.004)
    b, a = signal.butter(1, rng.uniform(3_000, 9_000), fs=sample_rate_hz)
    tail = signal.lfilter(b, a, tail)
    tail *= np.sqrt(10 ** (-direct_to_room_db / 10) / np.sum(tail**2))
    tail[0] = 1.0
    return np.asarray(tail)


def grid_response(taps: Array) -> Spectrum:
    """Return the response of finite taps on the grid of the colours."""
    return np.asarray(np.fft.rfft(taps, GRID))


def propagate(
    sound: Array, response: Spectrum, delay_samples: float, frames: int
) -> Array:
    """Return ``frames`` of the sound behind the response, late by the delay.

    The whole-sample part of the delay moves the array (zeros come in, at
    either end); only the fraction is a phase ramp, so no delay wraps around.
    """
    whole = int(np.floor(delay_samples))
    size = fft.next_fast_len(sound.size + GRID, real=True)
    kernel = np.fft.irfft(response)
    spread = np.zeros(size)
    spread[: GRID // 2] = kernel[: GRID // 2]
    spread[-GRID // 2 :] = kernel[GRID // 2 :]
    ramp = np.exp(
        -2j * np.pi * np.arange(size // 2 + 1) / size * (delay_samples - whole)
    )
    product = fft.rfft(sound, size) * fft.rfft(spread) * ramp
    if size % 2 == 0:
        product[-1] = product[-1].real
    wet = fft.irfft(product, size)[: sound.size + GRID // 4]
    return place(wet, whole, frames)


def place(sound: Array, start: int, frames: int) -> Array:
    """Return ``frames`` samples holding the sound from index ``start`` on."""
    held = np.zeros(frames)
    first, last = max(0, start), min(frames, start + sound.size)
    if last > first:
        held[first:last] = sound[first - start : last - start]
    return held


def resample(sound: Array, up: int, down: int) -> Array:
    """Change the rate with no delay at all: a brick wall in one spectrum."""
    padded = fft.next_fast_len(sound.size + 256, real=True)
    while padded * up % down:
        padded += 1
    frames = padded * up // down
    spectrum = fft.rfft(sound, padded)
    kept = min(spectrum.size, frames // 2 + 1)
    wide = np.zeros(frames // 2 + 1, complex)
    wide[:kept] = spectrum[:kept]
    result = fft.irfft(wide, frames) * up / down
    return np.asarray(result[: -(-sound.size * up // down)])
