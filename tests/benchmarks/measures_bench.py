"""CPU milliseconds of what a capture of 180 s (48 kHz, mono) goes through.

    OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.measures_bench

Prints the best of five for each step, from the shift onto the DI's time to the samples
that are written, on four kinds of sound, since the search for the true peak and for
flat tops depends on how often the sound comes near its own maximum.
"""

import time
from collections.abc import Callable

import numpy as np
from scipy.signal import butter, sosfilt

from pipeline.dsp.activity import active_frames, frame_power
from pipeline.dsp.clipping import find_clipping
from pipeline.dsp.dither import to_16_bits
from pipeline.dsp.faults import find_dropouts
from pipeline.dsp.linearity import capture_spectra, di_spectra, linear_share
from pipeline.dsp.loudness import loudness_cells
from pipeline.dsp.shift import shift_segment
from pipeline.dsp.true_peak import true_peak
from pipeline.files.samples import encode_24_into
from pipeline.run.memory import hold_freed_memory

RATE = 48_000
SECONDS = 180
ROUNDS = 5
LAG_SAMPLES = 400.3
GAIN = 0.7


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


def best_cpu_ms(call: Callable[[], object]) -> float:
    """Least CPU time of some rounds."""
    spent = []
    for _ in range(ROUNDS):
        start = time.process_time()
        call()
        spent.append(time.process_time() - start)
    return 1000.0 * min(spent)


def main() -> None:
    """Print the table."""
    hold_freed_memory()
    captures = {name: x.astype(np.float32) for name, x in sounds().items()}
    di = captures["clean"]
    activity = active_frames(di, RATE)
    prepared = di_spectra(di, RATE, activity)
    octets = np.empty(3 * len(di) + 1, dtype=np.uint8)
    steps: dict[str, Callable[[np.ndarray], object]] = {
        "shift": lambda x: shift_segment(x, LAG_SAMPLES, len(x)),
        "loudness": lambda x: loudness_cells(x, RATE).loudness(),
        "true peak": lambda x: true_peak(x, RATE),
        "spectra": lambda x: capture_spectra(prepared, x, activity),
        "levels": lambda x: frame_power(x, RATE),
        "clipping": lambda x: find_clipping(x, RATE),
        "drop-outs": lambda x: find_dropouts(x, RATE),
        "24 bits": lambda x: encode_24_into(octets, x, GAIN),
        "16 bits": lambda x: to_16_bits(x, GAIN),
    }
    once = {
        "activity": lambda: active_frames(di, RATE),
        "spectra": lambda: di_spectra(di, RATE, activity),
    }
    figures = ", ".join(f"{key} {best_cpu_ms(call):.1f}" for key, call in once.items())
    print(f"once per DI: {figures} ms")
    print(f"{'ms':14}" + "".join(f"{key:>11}" for key in [*steps, "together"]))
    for name, x in captures.items():
        spent = [best_cpu_ms(lambda step=step, x=x: step(x)) for step in steps.values()]
        share = linear_share(capture_spectra(prepared, x, activity))
        row = "".join(f"{ms:11.1f}" for ms in [*spent, sum(spent)])
        print(f"{name:14}{row}  (linear share {share:.3f})")


if __name__ == "__main__":
    main()
