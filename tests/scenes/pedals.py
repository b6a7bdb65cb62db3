"""Pedals that move or repeat the sound: echo, chorus, wah.

Each keeps a direct sound with its onset at zero; what they add comes later.
"""

import numpy as np
from scipy import signal

from .air import place
from .arrays import Array


def echo(sound: Array, rng: np.random.Generator, rate: int) -> tuple[Array, float]:
    """Add two repeats 90 to 520 ms apart; return the first one's gain too."""
    gain = float(rng.choice([0.3, 0.5, 0.8, 1.0, 1.25]))
    lag = round(rng.uniform(0.09, 0.52) * rate)
    b, a = signal.butter(1, rng.uniform(2_500, 6_000), fs=rate)
    repeat = signal.lfilter(b, a, gain * sound)
    wet = sound + place(repeat, lag, sound.size)
    second = signal.lfilter(b, a, 0.4 * repeat)
    return wet + place(second, 2 * lag, sound.size), gain


def chorus(sound: Array, rng: np.random.Generator, rate: int) -> Array:
    """Add one voice wandering by 1 to 3 ms around 6 to 14 ms."""
    time = np.arange(sound.size, dtype=float)
    middle, depth = rng.uniform(0.006, 0.014), rng.uniform(0.001, 0.003)
    speed_hz = rng.uniform(0.3, 2.0)
    lag = rate * (middle + depth * np.sin(2 * np.pi * speed_hz * time / rate))
    voice = np.interp(time - lag, time, sound, left=0.0)
    return sound + rng.uniform(0.4, 0.85) * voice


def wah(sound: Array, rng: np.random.Generator, rate: int) -> Array:
    """Sweep a resonance between 450 Hz and 1.6 kHz, some dry sound left."""
    time_s = np.arange(sound.size) / rate
    swing = 0.5 - 0.5 * np.cos(2 * np.pi * rng.uniform(0.5, 2.0) * time_s)
    bank_hz = np.geomspace(450, 1_600, 7)
    place_in_bank = swing * (bank_hz.size - 1)
    wet = np.zeros(sound.size)
    for k, corner_hz in enumerate(bank_hz):
        w0 = 2 * np.pi * corner_hz
        b, a = signal.bilinear([w0 / 3.5, 0], [1, w0 / 3.5, w0**2], rate)
        share = np.maximum(0, 1 - np.abs(place_in_bank - k))
        wet += share * signal.lfilter(b, a, sound)
    return 3 * wet + 0.25 * sound
