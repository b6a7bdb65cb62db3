"""A small session with known truth, written in a second: plucked notes, one rig."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

RATE = 48_000


def plucks(seed: int, seconds: float = 8.0) -> NDArray[np.float64]:
    """Damped strings at random times, with rests at both ends."""
    rng = np.random.default_rng(seed)
    out = np.zeros(int(seconds * RATE))
    at = 1.0
    while at < seconds - 1.5:
        period = RATE / rng.choice([82.41, 110.0, 146.83, 164.81, 196.0, 246.94])
        length = int(rng.uniform(0.5, 1.2) * RATE)
        burst = np.zeros(length)
        burst[: int(period)] = rng.uniform(-1, 1, int(period))
        whole, part = int(period), period % 1
        taps = np.zeros(whole + 3)
        taps[0] = 1.0
        taps[whole] = -0.496 * (1 - part)
        taps[whole + 1] = -0.496
        taps[whole + 2] = -0.496 * part
        string = signal.lfilter([1.0], taps, burst)
        start = int(at * RATE)
        out[start : start + length] += string * rng.uniform(0.3, 1.0)
        at += rng.uniform(0.22, 0.6)
    return 0.4 * out / np.abs(out).max()


def rig(di: NDArray[np.float64], drive: float, cut_hz: float) -> NDArray[np.float64]:
    """Tanh at four times the rate, then a minimum-phase speaker."""
    up = signal.resample_poly(di, 4, 1)
    loud = signal.resample_poly(np.tanh(drive * up), 1, 4)
    speaker = signal.butter(2, [90.0, cut_hz], "bandpass", fs=RATE, output="sos")
    out = signal.sosfilt(speaker, loud)
    return 0.3 * out / np.abs(out).max()


def late(x: NDArray[np.float64], samples: int, tail: int = 4000) -> NDArray[np.float64]:
    """Put silence in front, and some behind."""
    return np.concatenate([np.zeros(samples), x, np.zeros(tail)])


@dataclass(frozen=True)
class Session:
    """Where the session lies and what is true of it."""

    manifest: Path
    lags: dict[str, int]


def write_session(folder: Path, *, extra: str = "", head: str = "") -> Session:
    """Write a DI and four captures: close, dark and flipped in one file, room."""
    rng = np.random.default_rng(11)
    audio = folder / "audio"
    audio.mkdir(parents=True, exist_ok=True)
    di = plucks(1)
    hiss = 1e-4

    def save(name: str, data: NDArray[np.float64], rate: int = RATE) -> None:
        noisy = data + hiss * rng.normal(size=data.shape)
        soundfile.write(audio / name, noisy, rate, subtype="PCM_24")

    soundfile.write(audio / "di.wav", di, RATE, subtype="PCM_24")
    close, dark = rig(di, 3.0, 5500.0), rig(di, 3.0, 2800.0)
    both = late(close, 700, 4004), late(-0.5 * dark, 704, 4000)
    save("p01.wav", np.stack(both, axis=1))
    save("p02.wav", 0.3 * late(rig(di, 20.0, 5000.0), 24_000))
    save("p03.wav", late(close, 700)[20_000:])
    manifest = folder / "session.toml"
    manifest.write_text(
        head
        + """
format = 1
[session]
name = "Tin shed"
[di]
file = "audio/di.wav"
[setup.low]
[setup.high]
[[capture]]
id = "close"
file = "audio/p01.wav"
channel = 1
pass = "p01"
setup = "low"
[[capture]]
id = "dark"
file = "audio/p01.wav"
channel = 2
pass = "p01"
setup = "low"
[[capture]]
id = "loud"
file = "audio/p02.wav"
setup = "high"
[[capture]]
id = "early"
file = "audio/p03.wav"
setup = "low"
"""
        + extra,
        encoding="utf-8",
    )
    lags = {"close": 700, "dark": 704, "loud": 24_000, "early": 700 - 20_000}
    return Session(manifest, lags)
