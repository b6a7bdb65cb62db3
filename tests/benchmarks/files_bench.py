"""CPU seconds of reading, hashing and writing one capture of 180 s.

    python -m tests.benchmarks.files_bench

Mono, 48 kHz, 24-bit; the best of five, beside libsndfile doing the same.
"""

import hashlib
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from pipeline.files.audio import ChannelSource, sha256_of
from pipeline.files.bext import BextFields
from pipeline.files.wave_chunks import write_wave_24

RATE_HZ = 48_000
FRAMES = 180 * RATE_HZ


def cpu_s(work: Callable[[], object]) -> float:
    """CPU seconds of the fastest of five goes."""
    goes = []
    for _ in range(5):
        started = time.process_time()
        work()
        goes.append(time.process_time() - started)
    return min(goes)


def read(path: Path, channel: int = 1, rate_hz: int = RATE_HZ) -> None:
    """Read a whole channel."""
    with ChannelSource(path, channel, sample_rate_hz=rate_hz) as source:
        source.read(0, source.frames)


def write_and_hash(path: Path, samples: np.ndarray) -> None:
    """Write with libsndfile, then hash: what `write_wave_24` gives at once."""
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_24")
    hashlib.sha256(path.read_bytes())


def main() -> None:
    """Print one line a job."""
    noise = np.random.default_rng(1).uniform(-0.9, 0.9, FRAMES).astype(np.float32)
    with tempfile.TemporaryDirectory() as folder:
        mono, flac = Path(folder) / "mono.wav", Path(folder) / "mono.flac"
        poly, other = Path(folder) / "poly.wav", Path(folder) / "other.wav"
        out, fields = Path(folder) / "out.wav", BextFields(description="noise")
        soundfile.write(mono, noise, RATE_HZ, subtype="PCM_24")
        soundfile.write(flac, noise, RATE_HZ, subtype="PCM_24")
        soundfile.write(other, noise[: 180 * 44_100], 44_100, subtype="PCM_24")
        soundfile.write(poly, np.tile(noise[:, None], 8), RATE_HZ, subtype="PCM_24")
        jobs = {
            "read": lambda: read(mono),
            "read with libsndfile": lambda: soundfile.read(mono, dtype="float32"),
            "read one channel of eight": lambda: read(poly, 3),
            "read FLAC": lambda: read(flac),
            "read 44.1 kHz at 48 kHz": lambda: read(other),
            "hash": lambda: sha256_of(mono),
            "write, hash, verify": lambda: write_wave_24(out, noise, RATE_HZ, fields),
            "write with libsndfile, hash": lambda: write_and_hash(out, noise),
        }
        for name, work in jobs.items():
            print(f"{name:30} {cpu_s(work):6.3f} s")


if __name__ == "__main__":
    main()
