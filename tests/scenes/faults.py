"""What goes wrong between the amplifier and the file.

Sign: a positive jump makes everything after it later (samples were put in),
a negative one earlier (samples were lost). Positive drift makes the capture
later and later. Levels in dB are relative to the capture's own rms.
"""

import numpy as np
from scipy import signal

from .arrays import Array

SINC_REACH = 24
PHASES = 4_096
BLOCK = 65_536


def _kernels() -> Array:
    """Return the taps of PHASES + 1 fractions: Kaiser-windowed sinc, beta 9."""
    part = np.arange(PHASES + 1)[:, None] / PHASES
    distance = part - np.arange(1 - SINC_REACH, SINC_REACH + 1)
    inside = np.maximum(0, 1 - (distance / SINC_REACH) ** 2)
    return np.asarray(np.sinc(distance) * np.i0(9.0 * np.sqrt(inside)) / np.i0(9.0))


def sampled_at(sound: Array, positions: Array) -> Array:
    """Read the sound between its samples, 0 outside.

    48 taps; a tone at a tenth of the rate comes out within 1e-5 of its peak.
    """
    table = _kernels()
    padded = np.pad(sound, SINC_REACH + 1)
    result = np.zeros(positions.size)
    for start in range(0, positions.size, BLOCK):
        at = np.clip(positions[start : start + BLOCK], -1.0, sound.size)
        whole = np.floor(at).astype(np.int64)
        fine = (at - whole) * PHASES
        phase = np.minimum(fine.astype(np.int64), PHASES - 1)
        share = fine - phase
        block = np.zeros(at.size)
        for tap in range(2 * SINC_REACH):
            low, high = table[phase, tap], table[phase + 1, tap]
            index = np.minimum(whole + tap + 2, padded.size - 1)
            block += padded[index] * (low + share * (high - low))
        result[start : start + BLOCK] = block
    return result


def drift(sound: Array, drift_ppm: float) -> Array:
    """Stretch: what was at sample n comes at n (1 + drift_ppm * 1e-6)."""
    frames = round(sound.size * (1 + drift_ppm * 1e-6))
    return sampled_at(sound, np.arange(frames) / (1 + drift_ppm * 1e-6))


def wow(sound: Array, rng: np.random.Generator, rate: int) -> Array:
    """Let the lag swing like a tape's: 0.5 to 1.2 Hz, speed off by 0.05 to 0.2 %."""
    time = np.arange(sound.size, dtype=float)
    speed_hz = rng.uniform(0.5, 1.2)
    swing = rng.uniform(0.0005, 0.002) * rate / (2 * np.pi * speed_hz)
    return sampled_at(sound, time - swing * np.sin(2 * np.pi * speed_hz * time / rate))


def jump(sound: Array, at: int, samples: int) -> Array:
    """Lose samples (negative) or put in repeats of the last ones (positive)."""
    if samples < 0:
        return np.concatenate([sound[:at], sound[at - samples :]])
    return np.concatenate([sound[:at], sound[at - samples : at], sound[at:]])


def hiss(rng: np.random.Generator, frames: int, rate: int) -> Array:
    """Return noise of rms 1: half of it preamp (white), half amp (dull)."""
    b, a = signal.butter(2, rng.uniform(3_000, 7_000), fs=rate)
    dull = signal.lfilter(b, a, rng.normal(0.0, 1.0, frames))
    share = rng.uniform(0.2, 0.8)
    noise = share * rng.normal(0.0, 1.0, frames) + (1 - share) * 2 * dull
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


def hum(rng: np.random.Generator, frames: int, rate: int) -> Array:
    """Return mains hum of rms 1: 50 or 60 Hz and its harmonics up to 1 kHz."""
    mains_hz = float(rng.choice([50.0, 60.0])) * (1 + rng.normal(0.0, 3e-4))
    phase = 2 * np.pi * mains_hz * np.arange(frames) / rate
    tone = np.zeros(frames)
    for n in range(1, int(1_000 / mains_hz) + 1):
        level = rng.uniform(0.2, 1.0) / n * (1.5 if n % 2 == 0 else 1.0)
        tone += level * np.sin(n * phase + rng.uniform(0, 2 * np.pi))
    return np.asarray(tone / np.sqrt(np.mean(tone**2)))


def gate(sound: Array, rate: int, threshold_db: float) -> Array:
    """Mute below a threshold relative to the loudest 20 ms, with 20 ms fades."""
    width = rate // 50
    power = np.convolve(sound**2, np.ones(width) / width)[: sound.size]
    is_open = power > np.max(power) * 10 ** (threshold_db / 10)
    held = np.convolve(is_open, np.ones(3 * width))[: sound.size] > 0
    fade = np.convolve(held, np.ones(width) / width)[: sound.size]
    return sound * fade


def clip(sound: Array, share_of_peak: float) -> Array:
    """Clip at a share of the peak and trim down, as after an analogue overload."""
    limit = share_of_peak * float(np.max(np.abs(sound)))
    return np.clip(sound, -limit, limit)


def quantised(sound: Array, rng: np.random.Generator, bits: int) -> Array:
    """Round to 16 or 24 bits with triangular dither."""
    step = 2.0 ** (1 - bits)
    dither = rng.uniform(-0.5, 0.5, sound.size) + rng.uniform(-0.5, 0.5, sound.size)
    return np.clip(np.round(sound / step + dither) * step, -1.0, 1.0 - step)
