"""How do time, memory and results grow with the number of captures?

    python -m tests.benchmarks.growth_bench --captures 10 100 1000
    python -m tests.benchmarks.growth_bench --hours 6.5

The first writes sessions of short captures (4 s, 48 kHz, 24-bit) and prints for each,
of `reamps run --jobs 1` and of the same run again with nothing changed: CPU and wall
seconds, peak memory, and what the result weighs: record, page, what is kept for the
next run, audio. The second makes a recording that was left running for so long (RF64,
32-bit float, sparse: silence but for one pass of the DI near its end), and prints the
same of a session with it, beside one in which that capture is as long as the DI.

CPU is user plus system time of the process and its children.
"""

import argparse
import struct
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from tests.benchmarks.speed_bench import cpu_of
from tests.run.nights import command
from tests.run.sessions import RATE, plucks, rig

HEAD_BYTES = 80


def write_left_running(path: Path, played: np.ndarray, at: int, frames: int) -> None:
    """Write RF64, 32-bit float, mono: silence that takes no room, and one pass."""
    data_bytes = 4 * frames
    head = b"RF64" + struct.pack("<I", 0xFFFFFFFF) + b"WAVE"
    sizes = struct.pack("<QQQI", HEAD_BYTES - 8 + data_bytes, data_bytes, frames, 0)
    head += b"ds64" + struct.pack("<I", len(sizes)) + sizes
    form = struct.pack("<HHIIHH", 3, 1, RATE, 4 * RATE, 4, 32)
    head += b"fmt " + struct.pack("<I", len(form)) + form
    head += b"data" + struct.pack("<I", 0xFFFFFFFF)
    assert len(head) == HEAD_BYTES
    with path.open("wb") as file:
        file.write(head)
        file.seek(HEAD_BYTES + 4 * at)
        file.write(played.astype("<f4").tobytes())
        file.truncate(HEAD_BYTES + data_bytes)


def write_long_night(folder: Path, hours: float, di_seconds: float) -> Path:
    """Write a session of two captures: an ordinary one, and one left running."""
    (folder / "audio").mkdir(parents=True)
    count = max(1, round(di_seconds / 30.0))
    di = np.concatenate([plucks(seed, di_seconds / count) for seed in range(count)])
    soundfile.write(folder / "audio/di.wav", di, RATE, "PCM_24")
    played = 0.5 * rig(di, 3.0, 5000.0)
    noise = 3e-5 * np.random.default_rng(1).normal(size=played.size)
    soundfile.write(folder / "audio/short.wav", played + noise, RATE, "PCM_24")
    frames = max(int(hours * 3600 * RATE), 2 * played.size)
    at = frames - played.size - 20 * RATE if hours else 700
    write_left_running(folder / "audio/left.wav", played + noise, at, frames)
    manifest = folder / "session.toml"
    manifest.write_text(
        'format = 1\n[session]\nname = "Left running"\n[di]\nfile = "audio/di.wav"\n'
        '[[capture]]\nfile = "audio/short.wav"\n[[capture]]\nfile = "audio/left.wav"\n',
        encoding="utf-8",
    )
    return manifest


def apart(function: str, folder: Path, options: str) -> Path:
    """Write a session in a process of its own: a child's peak counts its parent's."""
    code = (
        "import sys; from pathlib import Path; from tests.run import nights; "
        "from tests.benchmarks import growth_bench; "
        f"{function}(Path(sys.argv[1]), {options})"
    )
    cpu_of((sys.executable, "-c", code, folder / "night"))
    return folder / "night" / "session.toml"


def weight(folder: Path, pattern: str) -> int:
    """Bytes of files."""
    return sum(path.stat().st_size for path in folder.glob(pattern) if path.is_file())


def measure(label: str, manifest: Path, folder: Path) -> None:
    """Run twice and print both."""
    run = command("run", manifest, "--out", folder, "-q", "-j", 1)
    for what in (label, "  again"):
        cpu, wall, peak = cpu_of(run)
        print(
            f"{what:22}{cpu:9.1f}{wall:9.1f}{peak:9.0f}"
            f"{weight(folder, 'record.json'):12,}{weight(folder, 'index.html'):12,}"
            f"{weight(folder, '.kept/*'):13,}{weight(folder, 'audio/*.wav'):15,}"
            f"{weight(folder, 'listen/*'):15,}",
            flush=True,
        )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, nargs="*", default=[10, 100, 1000])
    parser.add_argument("--hours", type=float, nargs="*", default=[])
    parser.add_argument("--di-seconds", type=float, default=180.0)
    wanted = parser.parse_args()
    print(f"{'':22}{'CPU s':>9}{'wall s':>9}{'MiB':>9}{'record B':>12}{'page B':>12}"
          f"{'kept B':>13}{'audio B':>15}{'listen B':>15}")  # fmt: skip
    with tempfile.TemporaryDirectory() as name:
        base = Path(name)
        for count in () if wanted.hours else wanted.captures:
            folder = base / str(count)
            # One file holds two microphones.
            manifest = apart("nights.write_night", folder, f"captures={count - 1}")
            measure(f"{count} captures", manifest, folder / "out")
        for hours in (0.0, *wanted.hours) if wanted.hours else ():
            folder = base / f"h{hours}"
            lengths = f"hours={hours}, di_seconds={wanted.di_seconds}"
            manifest = apart("growth_bench.write_long_night", folder, lengths)
            measure(f"left for {hours:g} h", manifest, folder / "out")


if __name__ == "__main__":
    main()
