"""How long after a capture has landed does the person at the amp know?

Writes one-minute captures into a watched folder, slowly as a recorder does, and times
from the last byte to the screen. One process, as `reamps watch` works.

    python -m tests.benchmarks.watch_bench [--seconds 60] [--times 3]
"""

import argparse
import io
import os
import statistics
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from pipeline.day.playout import PlayoutWish, write_playout
from pipeline.day.watch import Vigil, watch
from tests.day.folders import RATE, amp, late, plucks, speaker

CHUNKS = 12
WRITING_S = 3.0


def captures(dry: NDArray[np.float64], out: Path) -> dict[str, NDArray[np.float64]]:
    """One close mic, two mics in one file, and a play-out file's capture."""
    rng = np.random.default_rng(1)

    def heard(x: NDArray[np.float64], cut_hz: float) -> NDArray[np.float64]:
        noisy = amp(x, 4.0) + 3e-4 * rng.normal(size=len(x))
        return late(speaker(noisy, cut_hz), 700, 4000)

    close = heard(dry, 5000.0)
    both = np.stack([close, heard(dry, 2500.0)], axis=1)
    played, _ = soundfile.read(out)
    return {"one mic": close, "two mics": both, "play-out": heard(played, 5000.0)}


def write_slowly(path: Path, samples: NDArray[np.float64]) -> float:
    """Write a file in pieces; returns when its last byte was there."""
    held = io.BytesIO()
    soundfile.write(held, samples, RATE, subtype="PCM_24", format="WAV")
    data = held.getvalue()
    step = -(-len(data) // CHUNKS)
    with path.open("wb") as handle:
        for start in range(0, len(data), step):
            time.sleep(WRITING_S / CHUNKS)
            handle.write(data[start : start + step])
            handle.flush()
    return time.monotonic()


def main() -> None:
    """Print seconds from the last byte to the verdict."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--times", type=int, default=3)
    asked = parser.parse_args()
    print(f"load of this machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(f"{'capture of ' + format(asked.seconds, 'g') + ' s':<18}median   worst")
    with tempfile.TemporaryDirectory() as place:
        home = Path(place)
        dry = plucks(1, asked.seconds)
        soundfile.write(home / "di.wav", dry, RATE, subtype="PCM_24")
        write_playout(PlayoutWish(home / "di.wav", home / "out.wav"))
        for name, samples in captures(dry, home / "out.wav").items():
            took = timed(home, name, samples, asked.times)
            print(f"{name:<18}{statistics.median(took):5.1f} s {max(took):5.1f} s")


def timed(
    home: Path, name: str, samples: NDArray[np.float64], times: int
) -> list[float]:
    """Let takes land one after the other and time each verdict."""
    folder = home / name
    folder.mkdir()
    spoken, took = threading.Event(), []

    def recorder() -> None:
        for number in range(times):
            spoken.clear()
            done = write_slowly(folder / f"Mic_{number:02d}.wav", samples)
            spoken.wait()
            took.append(time.monotonic() - done)

    hand = threading.Thread(target=recorder)

    def say(text: str) -> None:
        if text.startswith("Watching"):
            hand.start()
        elif "PASS" in text:
            spoken.set()

    watch(Vigil(folder, home / "di.wav", most_passes=times), say, threading.Event())
    hand.join()
    return took


if __name__ == "__main__":
    main()
