"""A folder as a workstation leaves it: bad names, copies, strangers. Truth known."""

import os
import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

RATE = 48_000
SECONDS = 8.0

Samples = NDArray[np.float64]


def plucks(seed: int, seconds: float = SECONDS) -> Samples:
    """Damped strings at random times, with rests at both ends."""
    rng = np.random.default_rng(seed)
    out = np.zeros(int(seconds * RATE))
    at = 1.2
    while at < seconds - 1.8:
        period = int(RATE / rng.choice([82.4, 110.0, 146.8, 164.8, 196.0, 246.9]))
        length = int(rng.uniform(0.4, 0.8) * RATE)
        burst = np.zeros(length)
        burst[:period] = rng.uniform(-1, 1, period)
        taps = np.zeros(period + 2)
        taps[[0, period, period + 1]] = 1.0, -0.496, -0.496
        start = int(at * RATE)
        out[start : start + length] += signal.lfilter([1.0], taps, burst)
        at += rng.uniform(0.2, 0.5)
    return 0.4 * out / np.abs(out).max()


def amp(di: Samples, drive: float) -> Samples:
    """Tanh at four times the rate."""
    up = signal.resample_poly(di, 4, 1)
    return signal.resample_poly(np.tanh(drive * up), 1, 4) / np.tanh(drive * 0.4)


def speaker(x: Samples, cut_hz: float, gain: float = 0.3) -> Samples:
    """A minimum-phase colour."""
    sos = signal.butter(2, [90.0, cut_hz], "bandpass", fs=RATE, output="sos")
    return gain * signal.sosfilt(sos, x)


def late(x: Samples, samples: int, tail: int) -> Samples:
    """Put silence in front and behind."""
    return np.concatenate([np.zeros(samples), x, np.zeros(tail)])


@dataclass(frozen=True)
class Night:
    """Where it lies."""

    folder: Path
    di: Path


class Recorder:
    """Writes files as an interface would, a minute between passes."""

    def __init__(
        self,
        folder: Path,
        *,
        stamped: bool = True,
        hiss: float = 3e-4,
        di_hiss: float = 0.0,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.stamped, self.hiss = folder, stamped, hiss
        self.rng = np.random.default_rng(5)
        self.at_s = 1.7e9
        self.dry = plucks(1)
        # Pickups and the DI box hiss too, and every pass plays that again.
        self.dry += di_hiss * self.rng.normal(size=len(self.dry))

    def save(self, name: str, data: Samples, rate: int = RATE) -> Path:
        """Write one file with converter noise."""
        noisy = data + 2e-5 * self.rng.normal(size=data.shape)
        soundfile.write(self.folder / name, noisy, rate, subtype="PCM_24")
        if self.stamped:
            os.utime(self.folder / name, (self.at_s, self.at_s))
        return self.folder / name

    def heard(self, drive: float, lag: int = 700) -> tuple[Samples, Samples]:
        """One pass: a close mic, and a dark one that is 4 samples later, flipped."""
        self.at_s += 60.0
        played = amp(self.dry, drive) + self.hiss * self.rng.normal(size=len(self.dry))
        bright = late(speaker(played, 5500.0), lag, 4000)
        dark = late(speaker(played, 2600.0, -0.2), lag + 4, 3996)
        return bright, dark


def write_night(
    folder: Path,
    *,
    stamped: bool = True,
    hiss: float = 3e-4,
    few: bool = False,
    di_hiss: float = 0.0,
) -> Night:
    """Three passes of two files, one of a stereo file, and six that are no captures.

    With `few`, the first pass and a capture of another DI.
    """
    recorder = Recorder(folder, stamped=stamped, hiss=hiss, di_hiss=di_hiss)
    di = folder / "Gtr DI_01.wav"
    soundfile.write(di, recorder.dry, RATE, subtype="PCM_24")
    for number, (drive, lag) in enumerate([(3, 700), (3, 700), (8, 732)], start=1):
        bright, dark = recorder.heard(drive, lag)
        recorder.save(f"Dyn_{number:02d}.wav", bright)
        recorder.save(f"Rib 25mm_{number:02d}.wav", dark)
        if few:
            break
    if few:
        other = late(speaker(amp(plucks(7), 5.0), 4000.0), 700, 4000)
        recorder.save("talk.wav", other)
        return Night(folder, di)
    recorder.save("Audio 3_07.wav", np.stack(recorder.heard(20.0), axis=1))
    bright, _ = recorder.heard(5.0)
    recorder.save("Both.wav", np.stack([bright, np.zeros_like(bright)], axis=1))
    other = late(speaker(amp(plucks(7), 5.0), 4000.0), 700, 4000)
    recorder.save("talk.wav", other)
    recorder.save("loop.wav", late(recorder.dry, 612, 4000))
    shutil.copy(folder / "Dyn_02.wav", folder / "Dyn_02 copy.wav")
    shutil.copy(di, folder / "take me.wav")
    recorder.save("empty.wav", np.zeros(5 * RATE) * 0.0)
    (folder / "notes.wav").write_bytes(b"no audio at all")
    return Night(folder, di)
