"""How often does amp hiss marry two passes, and how often two mics of one?

    python -m tests.benchmarks.grouping_bench [PAIRS [FIRST_SEED]]

Draws pairs of rests (200 by default) with hiss of random level and colour, converter
noise, and on every other pair a rectifier's buzz that runs through the whole night.
Prints how often `shared_hiss` speaks for two passes (should never) and for two
microphones of one pass, by how far the hiss lies above the converters' noise; then the
same with a DI that hisses itself, 20 dB over the amp, in every pass: before and after
`unexplained` takes off what a linear chain makes of it.
"""

import sys

import numpy as np
from scipy import signal

from pipeline.day.grouping import shared_hiss
from pipeline.dsp.residual import unexplained

RATE = 48_000
WINDOW = 8192
WINDOWS = 24


def heard(
    rng: np.random.Generator, amp: np.ndarray, buzz: np.ndarray, over_db: float
) -> np.ndarray:
    """Spectra of one microphone's rests: speaker, flight error, converter noise."""
    low = rng.uniform(80, 200)
    high = rng.uniform(2500, 6000)
    colour = signal.butter(2, [low, high], "bandpass", fs=RATE, output="sos")
    x = signal.sosfilt(colour, amp + buzz)
    x = np.roll(x, int(rng.integers(-3, 4))) * rng.choice([-1.0, 1.0])
    level = np.std(signal.sosfilt(colour, amp)) * 10 ** (-over_db / 20)
    return spectra(x + level * rng.normal(size=len(x)))


def spectra(x: np.ndarray) -> np.ndarray:
    """Half-overlapping windows of a rest, 300 Hz to 6 kHz."""
    step = WINDOW // 2
    rows = [
        x[k * step : k * step + WINDOW] * np.hanning(WINDOW) for k in range(WINDOWS)
    ]
    freq = np.fft.rfftfreq(WINDOW, 1 / RATE)
    inside = (freq >= 300) & (freq <= 6000)
    return np.fft.rfft(rows)[:, inside].astype(np.complex64)


def rest(rng: np.random.Generator, *, buzzing: bool) -> tuple[np.ndarray, np.ndarray]:
    """Hiss of one pass, and the mains' buzz at a phase of its own."""
    count = WINDOW * (WINDOWS // 2 + 1)
    amp = rng.normal(size=count)
    at = np.arange(count) / RATE + rng.uniform(0, 0.02)
    pulses = signal.sawtooth(2 * np.pi * 100.0 * at) ** 9
    return amp, pulses * rng.uniform(0.5, 3.0) * buzzing


def hissing_di(pairs: int, first_seed: int) -> None:
    """Print how a DI's own hiss marries passes, and that it is taken off."""
    counts = {"as it is": [0, 0], "taken off": [0, 0]}
    for seed in range(first_seed, first_seed + pairs):
        rng = np.random.default_rng(seed)
        one, other = rest(rng, buzzing=False), rest(rng, buzzing=False)
        di = 10.0 * rng.normal(size=len(one[0]))
        mics = [heard(rng, amp + di, buzz, 40.0) for amp, buzz in (one, one, other)]
        left = [unexplained(mic, spectra(di)) for mic in mics]
        for name, (a, same, apart) in (("as it is", mics), ("taken off", left)):
            counts[name][0] += shared_hiss(a, apart)
            counts[name][1] += shared_hiss(a, same)
    for name, (wrong, right) in counts.items():
        print(
            f"the DI hisses 20 dB over the amp, {name}: {wrong} of {pairs} passes "
            f"married wrongly, {right} of {pairs} pairs of mics found",
            flush=True,
        )


def main(pairs: int, first_seed: int) -> None:
    """Print the table."""
    for over_db in (20.0, 6.0, 0.0, -6.0, -12.0):
        wrong = right = 0
        for seed in range(first_seed, first_seed + pairs):
            rng = np.random.default_rng(seed)
            buzzing = seed % 2 == 0
            one, other = rest(rng, buzzing=buzzing), rest(rng, buzzing=buzzing)
            a = heard(rng, *one, over_db)
            right += shared_hiss(a, heard(rng, *one, over_db))
            wrong += shared_hiss(a, heard(rng, *other, over_db))
        print(
            f"hiss {over_db:+.0f} dB over the converters: {wrong} of {pairs} passes "
            f"married wrongly, {right} of {pairs} pairs of mics found",
            flush=True,
        )
    hissing_di(pairs, first_seed)


if __name__ == "__main__":
    main(
        *(int(text) for text in (*sys.argv[1:], *("200", "40000")[len(sys.argv) - 1 :]))
    )
