"""CPU seconds of the measures of one capture of 180 s (48 kHz, mono).

    python -m tests.benchmarks.measures_bench

Prints the best of three for each measure on four kinds of sound, since the true
peak search depends on how often the sound comes near its own maximum.
"""

import time
from collections.abc import Callable

import numpy as np
from scipy.signal import butter, sosfilt

from pipeline.dsp.activity import active_frames, frame_power
from pipeline.dsp.clipping import find_clipping
from pipeline.dsp.faults import find_dropouts
from pipeline.dsp.linearity import capture_spectra, di_spectra, linear_share
from pipeline.dsp.loudness import measure_loudness
from pipeline.dsp.true_peak import true_peak

RATE = 48_000
SECONDS = 180
ROUNDS = 3


def sounds() -> dict[str, np.ndarray]:
    """Four captures from open to dense."""
    rng = np.random.default_rng(1)
    t = np.arange(SECONDS * RATE) / RATE
    pluck = np.exp(-6.0 * (t % 0.5)) * np.sin(2 * np.pi * 110.0 * t)
    hiss = 0.1 * rng.standard_normal(len(t))
    speaker = butter(4, 5000, fs=RATE, output="sos")
    return {
        "clean": 0.5 * sosfilt(speaker, pluck + 0.1 * hiss),
        "saturated": 0.5 * sosfilt(speaker, np.tanh(8 * pluck + 3 * hiss)),
        "white noise": hiss,
        "hard clipped": np.clip(6 * pluck + 3 * hiss, -0.9, 0.9),
    }


def best_cpu_s(call: Callable[[], object]) -> float:
    """Least CPU time of some rounds."""
    spent = []
    for _ in range(ROUNDS):
        start = time.process_time()
        call()
        spent.append(time.process_time() - start)
    return min(spent)


def main() -> None:
    """Print the table."""
    captures = {name: x.astype(np.float32) for name, x in sounds().items()}
    di = captures["clean"]
    activity = active_frames(di, RATE)
    prepared = di_spectra(di, RATE, activity)
    once = {
        "activity": best_cpu_s(lambda: active_frames(di, RATE)),
        "spectra": best_cpu_s(lambda: di_spectra(di, RATE, activity)),
    }
    print(
        "once per DI: " + ", ".join(f"{key} {s:.3f}" for key, s in once.items()) + " s"
    )
    for name, x in captures.items():
        measures: dict[str, Callable[[], object]] = {
            "loudness": lambda x=x: measure_loudness(x, RATE),
            "true peak": lambda x=x: true_peak(x, RATE),
            "spectra": lambda x=x: capture_spectra(prepared, x, activity),
            "levels": lambda x=x: frame_power(x, RATE),
            "clipping": lambda x=x: find_clipping(x, RATE),
            "drop-outs": lambda x=x: find_dropouts(x, RATE),
        }
        row = ", ".join(
            f"{key} {best_cpu_s(call):.3f}" for key, call in measures.items()
        )
        share = linear_share(capture_spectra(prepared, x, activity))
        print(f"{name}: {row} s (linear share {share:.3f})")


if __name__ == "__main__":
    main()
