"""How soon after a capture landed is its verdict there?

    python -m tests.benchmarks.watch_bench [SECONDS [PASSES]]

Writes a DI of that length (60 s by default) and one capture after the other into a
watched folder, and prints the time from the end of each write to its verdict, at the
load of the machine as it is.
"""

import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Event

import numpy as np
import soundfile

from pipeline.day.watch import Vigil, watch
from tests.day.folders import RATE, amp, late, plucks, speaker


def main(seconds: float, passes: int) -> None:
    """Print one line a pass."""
    dry = plucks(1, seconds)
    rng = np.random.default_rng(0)
    with TemporaryDirectory() as name:
        folder = Path(name)
        soundfile.write(folder / "di.wav", dry, RATE, subtype="PCM_24")
        wet = late(speaker(amp(dry, 4.0), 5000.0), 700, RATE)
        wet += 1e-4 * rng.normal(size=len(wet))
        landed_s = [0.0]
        written = [0]

        def say(text: str) -> None:
            if text.startswith("="):
                took = time.monotonic() - landed_s[0]
                verdict = text.splitlines()[1].strip()
                print(f"{verdict}: {took:.1f} s after the write", flush=True)
            if written[0] < passes:
                written[0] += 1
                path = folder / f"Dyn_{written[0]:02d}.wav"
                soundfile.write(path, wet, RATE, subtype="PCM_24")
                landed_s[0] = time.monotonic()

        watch(Vigil(folder, folder / "di.wav", most_passes=passes), say, Event())


if __name__ == "__main__":
    asked = [float(text) for text in sys.argv[1:]]
    main(*asked[:1] or [60.0], int(asked[1]) if len(asked) > 1 else 3)
