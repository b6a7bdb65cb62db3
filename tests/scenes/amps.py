"""Amplifiers and fuzzes, none of them one single model.

Every amp takes sound, rate, random generator and gain in dB, at whatever rate
it is run: at 192 kHz the first-order parts behave like analogue ones; at the
base rate everything aliases and the bilinear transform bends the treble. No
stage inverts, all filters are causal and of minimum phase, so the chain's
onset is zero and its polarity +1 (undefined for a rectifier).
"""

from collections.abc import Callable
from typing import Literal

import numpy as np
from scipy import signal

from .arrays import Array

REFERENCE_RMS = 0.1


def driven(sound: Array, gain_db: float) -> Array:
    """Scale so that 0 dB of gain leaves active playing at 0.1 rms (1.0 clips)."""
    level = np.sqrt(np.mean(sound**2))
    active = np.sqrt(np.mean(sound[np.abs(sound) > 0.1 * level] ** 2))
    return np.asarray(sound * (REFERENCE_RMS / active * 10 ** (gain_db / 20)))


def one_pole(
    sound: Array, corner_hz: float, rate: int, kind: Literal["low", "high"] = "low"
) -> Array:
    """First-order filter, the coupling capacitor or stray capacitance of a stage."""
    b, a = signal.butter(1, min(corner_hz, 0.49 * rate), kind, fs=rate)
    return np.asarray(signal.lfilter(b, a, sound))


def _bell(sound: Array, corner_hz: float, gain_db: float, rate: int) -> Array:
    root = 10 ** (gain_db / 40)
    w0 = 2 * np.pi * corner_hz
    b, a = signal.bilinear(
        [1, root / 0.7 * w0, w0**2], [1, w0 / (0.7 * root), w0**2], rate
    )
    return np.asarray(signal.lfilter(b, a, sound))


def _lagging_level(sound: Array, rate: int, times_s: tuple[float, float]) -> Array:
    """Return the level with attack and release, held over from blocks of 1 ms."""
    block = rate // 1000
    blocks = -(-sound.size // block)
    held = np.zeros(blocks * block)
    held[: sound.size] = np.abs(sound)
    peaks = held.reshape(blocks, block).max(axis=1)
    rise, fall = np.exp(-0.001 / np.asarray(times_s))
    level = 0.0
    levels = np.zeros(blocks + 1)
    for k, peak in enumerate(peaks):
        level = peak + (level - peak) * (rise if peak > level else fall)
        levels[k + 1] = level
    at = np.arange(sound.size) / block
    return np.asarray(np.interp(at, np.arange(blocks + 1), levels))


def linear(x: Array, rate: int, rng: np.random.Generator, gain_db: float) -> Array:
    """No distortion: clean channel with its tone controls."""
    x = one_pole(driven(x, min(gain_db, 0.0)), rng.uniform(12e3, 20e3), rate)
    return _bell(x, rng.uniform(300, 900), rng.uniform(-8, 2), rate)


def tanh(x: Array, rate: int, rng: np.random.Generator, gain_db: float) -> Array:
    x = one_pole(driven(x, gain_db), rng.uniform(20, 300), rate, "high")
    return np.tanh(x)


def cubic(x: Array, rate: int, rng: np.random.Generator, gain_db: float) -> Array:
    x = np.clip(one_pole(driven(x, gain_db), rng.uniform(8e3, 2e4), rate), -1, 1)
    return 1.5 * (x - x**3 / 3)


def hard_clip(x: Array, rate: int, rng: np.random.Generator, gain_db: float) -> Array:
    x = one_pole(driven(x, gain_db), rng.uniform(60, 720), rate, "high")
    return one_pole(np.clip(x, -1, 1), rng.uniform(4e3, 12e3), rate)


def diode(x: Array, rate: int, rng: np.random.Generator, gain_db: float) -> Array:
    """Return unequal halves: exponential knee above, harder and later below."""
    x = one_pole(driven(x, gain_db), rng.uniform(40, 500), rate, "high")
    upper = 1 - np.exp(-np.maximum(x, 0))
    lower = np.tanh(np.minimum(x, 0) * 0.6) * rng.uniform(1.2, 2.5)
    return one_pole(upper + lower, rng.uniform(20, 60), rate, "high")


def _stage(x: Array, rate: int, rng: np.random.Generator, gain: float) -> Array:
    """One valve stage: bias, soft or harder knee, coupling and stray poles."""
    bias = rng.uniform(-0.5, 0.5)
    knee = rng.uniform(0.0, 1.0)
    pushed = gain * x + bias
    soft = np.tanh(pushed)
    hard = np.clip(pushed, -1.2, 0.9)
    y = (1 - knee) * soft + knee * hard
    y = one_pole(y, rng.uniform(20, 150), rate, "high")
    return one_pole(y, rng.uniform(5e3, 12e3), rate)


def two_stage(x: Array, rate: int, rng: np.random.Generator, gain_db: float) -> Array:
    split_db = gain_db * rng.uniform(0.4, 0.7)
    x = one_pole(driven(x, split_db), rng.uniform(80, 700), rate, "high")
    x = _stage(x, rate, rng, 1.0)
    x = _stage(x, rate, rng, 10 ** ((gain_db - split_db) / 20))
    return _bell(x, rng.uniform(400, 900), rng.uniform(-9, 3), rate)


def three_stage(x: Array, rate: int, rng: np.random.Generator, gain_db: float) -> Array:
    x = one_pole(driven(x, gain_db / 3), rng.uniform(80, 700), rate, "high")
    for _ in range(3):
        x = _stage(x, rate, rng, 10 ** (gain_db / 60))
        x = _bell(x, rng.uniform(500, 3_000), rng.uniform(-4, 6), rate)
    return np.tanh(1.5 * x)


def moving_bias(x: Array, rate: int, rng: np.random.Generator, gain_db: float) -> Array:
    """Fuzz whose working point sags with the playing and recovers slowly."""
    x = driven(x, gain_db)
    level = one_pole(np.abs(x), rng.uniform(2, 15), rate)
    bias = rng.uniform(0.1, 0.3) - rng.uniform(0.1, 0.4) * np.minimum(level, 3)
    y = np.clip(x + bias, -1.0, rng.uniform(0.4, 0.8))
    y = one_pole(y, rng.uniform(30, 120), rate, "high")
    return one_pole(np.tanh(3 * y), rng.uniform(4e3, 1e4), rate)


def blocking(x: Array, rate: int, rng: np.random.Generator, gain_db: float) -> Array:
    """Grid current charges the coupling capacitor: loud notes choke the next."""
    x = driven(x, gain_db)
    charge = one_pole(np.maximum(x - 0.8, 0), rng.uniform(2, 10), rate)
    y = np.tanh(x - rng.uniform(0.5, 2.0) * np.minimum(charge, 2.0))
    y = one_pole(y, rng.uniform(20, 80), rate, "high")
    return np.tanh(2 * y)


def octave(x: Array, rate: int, rng: np.random.Generator, gain_db: float) -> Array:
    """Full-wave rectifier, with more or less of the plain sound left in."""
    x = np.tanh(driven(x, gain_db))
    y = np.abs(x) + rng.uniform(0.0, 0.5) * x
    return one_pole(y, rng.uniform(40, 100), rate, "high")


def compressor(x: Array, rate: int, rng: np.random.Generator, gain_db: float) -> Array:
    """Compressor pedal into a stage."""
    x = driven(x, 10.0)
    times_s = (rng.uniform(0.002, 0.02), rng.uniform(0.08, 0.5))
    level = _lagging_level(x, rate, times_s)
    x *= (1 + level / 0.1) ** -rng.uniform(0.5, 0.9)
    return _stage(driven(x, gain_db), rate, rng, 1.0)


def sag(x: Array, rate: int, rng: np.random.Generator, gain_db: float) -> Array:
    """Return a power stage whose supply drops under load and comes back late."""
    x = one_pole(driven(x, gain_db), rng.uniform(40, 200), rate, "high")
    level = _lagging_level(np.tanh(x), rate, (0.02, rng.uniform(0.1, 0.4)))
    supply = 1 - rng.uniform(0.2, 0.5) * level
    return supply * np.tanh(x / supply)


def hump_drive(x: Array, rate: int, rng: np.random.Generator, gain_db: float) -> Array:
    """Mid-hump overdrive pedal in front of a high-gain amp."""
    clean = driven(x, 6.0)
    mids = one_pole(clean, rng.uniform(600, 800), rate, "high")
    drive = clean + np.tanh(mids * rng.uniform(3, 12))
    drive = one_pole(drive, rng.uniform(1e3, 4e3), rate)
    return two_stage(drive, rate, rng, gain_db)


AMPS: dict[str, Callable[[Array, int, np.random.Generator, float], Array]] = {
    "linear": linear,
    "tanh": tanh,
    "cubic": cubic,
    "hard clip": hard_clip,
    "diode": diode,
    "two stages": two_stage,
    "three stages": three_stage,
    "moving bias": moving_bias,
    "blocking": blocking,
    "octave": octave,
    "compressor": compressor,
    "sag": sag,
    "hump drive": hump_drive,
}
