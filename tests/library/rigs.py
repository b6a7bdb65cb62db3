"""Invented players and rigs, played and measured with scipy alone.

The truth is known by construction: a rig is a fixed chain (coupling filter, one of
six kinds of distortion, tone controls, speaker, microphone, preamp noise) whose
gain does not follow what is played. Nothing of the product measures here.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy import signal

from pipeline.models.record import Axes, Curves, DiResult

RATE = 24_000
CENTRES = 1000 * 10 ** (np.arange(-13, 10) / 10)
AXES = Axes(
    third_octave_hz=tuple(CENTRES.tolist()),
    third_octave_label=tuple(f"{hz:.0f}" for hz in CENTRES),
    erb_hz=(),
    smooth_hz=(),
)
# lowest note (MIDI), palm mute, plectrum Hz, step s, intervals
PLAYERS = {
    "riff": (40, 0.3, 4500, 0.3, (0, 7, 12)),
    "chug": (38, 0.95, 6000, 0.18, (0, 7)),
    "lead": (60, 0.0, 3500, 0.5, (0,)),
    "strum": (45, 0.0, 7000, 0.5, (0, 4, 7, 12)),
    "arpeggio": (52, 0.0, 3000, 0.25, (0,)),
}
KINDS = ("clean", "soft", "hard", "unequal", "two stages", "sag")


def _string(
    rng: np.random.Generator, hz: float, length_s: float, how: tuple
) -> np.ndarray:
    """A plucked delay loop (Karplus and Strong 1983)."""
    bright, mute = how
    period = int(RATE / hz)
    b, a = signal.butter(1, min(bright, 0.45 * RATE), fs=RATE)
    loop = signal.lfilter(b, a, rng.uniform(-1, 1, 2 * period))[period:]
    loop -= np.roll(loop, max(1, int(period * rng.uniform(0.08, 0.25))))
    loop /= np.sqrt(np.mean(loop**2))
    loss = 10 ** (-3 * period / RATE / (3 - 2.8 * mute))
    blocks = [loop]
    for _ in range(int(length_s * RATE) // period):
        loop = loss * (0.6 * loop + 0.4 * np.roll(loop, 1))
        blocks.append(loop)
    return np.concatenate(blocks) * np.linspace(1, 0, period * len(blocks)) ** 0.2


def play(kind: str, seed: int, length_s: float = 9.0) -> np.ndarray:
    """Return a DI; peaks at -12 to -6 dBFS."""
    rng = np.random.default_rng([seed, 1])
    root, mute, bright, step_s, intervals = PLAYERS[kind]
    sound = np.zeros(int((length_s + 4) * RATE))
    now_s = 0.2
    while now_s < length_s - 0.5:
        pitch = root + int(rng.choice([0, 0, 3, 5, 7, 10, 12]))
        hard = 10 ** (rng.normal(0, 3) / 20)
        for interval in intervals:
            hz = 440 * 2 ** ((pitch + interval - 69) / 12)
            voice = _string(rng, hz, step_s * (1 if mute > 0.5 else 2), (bright, mute))
            start = int((now_s + 0.004 * interval / 7) * RATE)
            sound[start : start + voice.size] += hard * voice
        now_s += step_s * rng.choice([1, 1, 1, 2, 0.5])
    sound = sound[: int(length_s * RATE)]
    b, a = signal.butter(2, rng.uniform(2500, 5000), fs=RATE)
    sound = signal.lfilter(b, a, sound)
    sound *= 10 ** (rng.uniform(-12, -6) / 20) / np.abs(sound).max()
    return sound + rng.normal(0, 1e-5, sound.size)


def _bell(hz: float, gain_db: float, q: float) -> np.ndarray:
    root, w = 10 ** (gain_db / 40), 2 * np.pi * hz
    b, a = signal.bilinear([1, root / q * w, w * w], [1, w / (root * q), w * w], RATE)
    return np.concatenate([b, a])


@dataclass
class Rig:
    """One amp, cabinet and microphone; the seed fixes everything."""

    seed: int
    rng: np.random.Generator = field(init=False)

    def __post_init__(self) -> None:
        rng = np.random.default_rng([self.seed, 2])
        self.kind = KINDS[int(rng.integers(len(KINDS)))]
        drive_db = rng.uniform(-5, 10) if self.kind == "clean" else rng.uniform(8, 45)
        self.gain = 10 ** (drive_db / 20)
        self.coupling_hz = rng.uniform(40, 700)
        self.bias = rng.uniform(-0.3, 0.3)
        self.bells = [
            (rng.uniform(80, 150), rng.uniform(-9, 6), rng.uniform(0.5, 1.2)),
            (rng.uniform(350, 900), rng.uniform(-9, 6), rng.uniform(0.5, 1.2)),
            (rng.uniform(2000, 4000), rng.uniform(-9, 6), rng.uniform(0.5, 1.2)),
            (rng.uniform(80, 140), rng.uniform(2, 8), rng.uniform(1, 3)),
            *(
                (rng.uniform(250, 5500), rng.uniform(-6, 7), rng.uniform(1, 4))
                for _ in range(5)
            ),
            (rng.uniform(3000, 7000), rng.uniform(-2, 6), 1.0),
        ]
        self.low_hz, self.order = rng.uniform(3800, 6500), int(rng.integers(2, 5))
        self.high_hz = rng.uniform(60, 110)

    def _distort(self, x: np.ndarray) -> np.ndarray:
        if self.kind == "clean":
            return x
        if self.kind == "soft":
            return np.tanh(x + self.bias)
        if self.kind == "hard":
            return np.clip(x, -1, 0.8)
        if self.kind == "unequal":
            return 1 - np.exp(-np.maximum(x, 0)) + 1.6 * np.tanh(0.6 * np.minimum(x, 0))
        if self.kind == "two stages":
            b, a = signal.butter(1, [60, 9000], "band", fs=RATE)
            return np.tanh(4 * signal.lfilter(b, a, np.tanh(x / 3 + self.bias)))
        b, a = signal.butter(1, 3, fs=RATE)
        supply = 1 - 0.5 * signal.lfilter(b, a, np.abs(np.tanh(x)))
        return supply * np.tanh(x / supply)

    def capture(self, di: np.ndarray, take: int) -> np.ndarray:
        """Play a DI through it; every take has its own noise, level and gain."""
        rng = np.random.default_rng([self.seed, take, 3])
        b, a = signal.butter(1, self.coupling_hz, "high", fs=RATE)
        sound = self._distort(3 * self.gain * signal.lfilter(b, a, di))
        low = signal.butter(self.order, self.low_hz, fs=RATE, output="sos")
        high = signal.butter(2, self.high_hz, "high", fs=RATE, output="sos")
        bells = [_bell(*bell) for bell in self.bells]
        sound = signal.sosfilt(np.vstack([bells, low, high]), sound)
        sound *= 10 ** (rng.uniform(-6, 6) / 20) / np.sqrt(np.mean(sound**2))
        noise = 10 ** (rng.uniform(-70, -55) / 20)
        return 0.07 * (sound + rng.normal(0, noise, sound.size))


def _bands(hz: np.ndarray, power: np.ndarray) -> np.ndarray:
    edges = [(c * 10**-0.05, c * 10**0.05) for c in CENTRES]
    return np.array([power[(hz >= low) & (hz < high)].sum() for low, high in edges])


def _levels(di: np.ndarray, x: np.ndarray) -> tuple[tuple[float, float], ...]:
    size = RATE // 20
    rows = len(di) // size
    a, b = (
        10
        * np.log10(np.mean(y[: rows * size].reshape(rows, size) ** 2, axis=1) + 1e-12)
        for y in (di, x)
    )
    points = []
    for low in np.arange(-60.0, -6.0, 2.0):
        inside = (a >= low) & (a < low + 2)
        if inside.sum() >= 4:
            points.append((float(np.median(a[inside])), float(np.median(b[inside]))))
    return tuple(points)


def measure(di: np.ndarray, x: np.ndarray) -> tuple[Curves, DiResult]:
    """Measure a pair by Welch's method (1967), with scipy."""
    size = 4096
    hz, dd = signal.welch(di, RATE, nperseg=size)
    _, xx = signal.welch(x, RATE, nperseg=size)
    _, dx = signal.csd(di, x, RATE, nperseg=size)
    share = np.abs(dx) ** 2 / (dd * xx)
    capture, explained = _bands(hz, xx), _bands(hz, share * xx)
    averages = 2 * len(di) / size
    coherence = (averages * explained / capture - 1) / (averages - 1)
    curves = Curves(
        third_octave_db=tuple((10 * np.log10(capture)).tolist()),
        erb_db=(),
        smooth_db=(),
        coherence=tuple(np.clip(coherence, 0, 1).tolist()),
        levels=_levels(di, x),
        envelope=(),
    )
    levels = tuple((10 * np.log10(_bands(hz, dd))).tolist())
    result = DiResult(
        file="di.wav",
        sha256="",
        sample_rate_hz=RATE,
        frames=len(di),
        third_octave_db=levels,
    )
    return curves, result
