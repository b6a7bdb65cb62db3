"""CPU and memory of `reamps run` beside a public meter on the same files.

`python -m tests.benchmarks.speed_bench` writes captures of 180 s (48 kHz, 24-bit,
mono) into a temporary folder, then prints:

- CPU seconds that ffmpeg's `ebur128=peak=true` needs to read loudness and true peak of
  all captures,
- CPU seconds of a straightforward script with the usual libraries (FFT correlation,
  pyloudnorm, four times resampled true peak, Welch spectra, 24-bit write),
- CPU seconds, wall time and peak memory of the whole run with one and two workers, of
  a second run with nothing changed, and their ratios,
- CPU seconds of `reamps run` by stage, measured in this process.

CPU is user plus system time of the process and its children. All but the script are
run several times, turn by turn; the least time counts.
"""

import argparse
import ctypes
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np
import pyloudnorm
import soundfile
from scipy import signal

from tests.run.sessions import plucks, rig

RATE = 48_000
_SET_CHILD_SUBREAPER = 36
METER = ("ffmpeg", "-nostats", "-hide_banner", "-threads", "1")
FILTER = ("-af", "ebur128=peak=true", "-f", "null", "-")
ONE_THREAD = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
}


def write_night(folder: Path, captures: int, seconds: float) -> Path:
    """Write a DI and captures through two rigs, each with its own delay and level."""
    rng = np.random.default_rng(3)
    (folder / "audio").mkdir(parents=True)
    di = np.concatenate([plucks(seed, 30.0) for seed in range(round(seconds / 30))])
    soundfile.write(folder / "audio/di.wav", di, RATE, "PCM_24")
    lines = ['format = 1\n[session]\nname = "Speed"\n[di]\nfile = "audio/di.wav"\n']
    lines.append("[setup.low]\n[setup.high]\n")
    sounds = {"low": rig(di, 2.0, 5500.0), "high": rig(di, 25.0, 4500.0)}
    for index in range(captures):
        name = "low" if index % 2 == 0 else "high"
        late = np.concatenate([np.zeros(400 + 37 * index), sounds[name]])[: di.size]
        noisy = 0.5 * late + 3e-5 * rng.normal(size=di.size)
        soundfile.write(folder / f"audio/p{index:02d}.wav", noisy, RATE, "PCM_24")
        lines.append(
            f'[[capture]]\nfile = "audio/p{index:02d}.wav"\nsetup = "{name}"\n'
        )
    manifest = folder / "session.toml"
    manifest.write_text("".join(lines), encoding="utf-8")
    return manifest


def cpu_of(command: Sequence[str | Path]) -> tuple[float, float, float]:
    """Run a command: CPU seconds, wall seconds, peak memory of its largest process."""
    if sys.platform == "linux":
        # What a command leaves behind as it ends (the server from which its workers
        # were forked) becomes a child of this process, and its time is counted.
        ctypes.CDLL(None).prctl(_SET_CHILD_SUBREAPER, 1)
    begin = time.perf_counter()
    process = subprocess.Popen(
        command,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, **ONE_THREAD},
    )
    _, status, used = os.wait4(process.pid, 0)
    if status:
        sys.exit(f"failed: {command}")
    wall = time.perf_counter() - begin
    uses = [used]
    with suppress(ChildProcessError):
        while True:
            uses.append(os.wait4(-1, 0)[2])
    cpu = sum(use.ru_utime + use.ru_stime for use in uses)
    return cpu, wall, max(use.ru_maxrss for use in uses) / 1024.0


def best(
    measured: Sequence[tuple[float, float, float]],
) -> tuple[float, float, float]:
    """Least CPU and wall time of several runs, and their most memory."""
    cpu, wall, memory = zip(*measured, strict=True)
    return min(cpu), min(wall), max(memory)


def straightforward(audio: Path) -> None:
    """Do the bare job with the usual libraries and nothing shared between steps."""
    di, _ = soundfile.read(audio / "di.wav")
    for path in sorted(audio.glob("p*.wav")):
        x, _ = soundfile.read(path)
        lag = int(np.argmax(signal.correlate(x, di, method="fft"))) - di.size + 1
        x = np.roll(x, -lag)
        loudness = pyloudnorm.Meter(RATE).integrated_loudness(x)
        peak = np.abs(signal.resample_poly(x, 4, 1)).max()
        signal.welch(x, RATE, nperseg=4096)
        signal.csd(di, x, RATE, nperseg=4096)
        gain = min(10 ** ((-23.0 - loudness) / 20.0), 0.89 / peak)
        soundfile.write(audio.parent / f"out-{path.name}", gain * x, RATE, "PCM_24")


def by_stage(manifest: Path, folder: Path) -> list[tuple[str, float]]:
    """CPU seconds of each kind of work in one process."""
    from pipeline.run import blending, judging, relating
    from pipeline.run.service import Options, run_manifests
    from pipeline.run.tasks import ahead, measure, write

    spent: dict[str, float] = {}
    inner = [0.0]

    def timed(function: Callable[..., object], label: str) -> Callable[..., object]:
        def work(*given: object) -> object:
            inner.append(0.0)
            begin = time.process_time()
            result = function(*given)
            whole = time.process_time() - begin
            # A capture is cut, measured and written while it is being located.
            spent[label] = spent.get(label, 0.0) + whole - inner.pop()
            inner[-1] += whole
            return result

        return work

    for module, name, label in (
        (judging, "fingerprint", "hash"),
        (ahead, "locate_capture", "locate"),
        (ahead, "cut_source", "cut"),
        (measure, "cut_capture", "cut"),
        (ahead, "measure_samples", "measure"),
        (measure, "measure_samples", "measure"),
        (ahead, "write_samples", "write"),
        (write, "write_samples", "write"),
        (ahead, "describe_di", "the DI"),
        (relating, "relate_pass", "relate"),
        (blending, "measure_blend", "blend"),
    ):
        setattr(module, name, timed(getattr(module, name), label))
    begin = time.process_time()
    run_manifests([manifest], folder, Options(jobs=1, quiet=True))
    total = time.process_time() - begin
    rest = total - sum(spent.values())
    return [*spent.items(), ("everything else", rest), ("all", total)]


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, default=12)
    parser.add_argument("--seconds", type=float, default=180.0)
    parser.add_argument("--repeats", type=int, default=3)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # In a process of its own: a child's peak counts what its parent held.
        script = "from pathlib import Path; import sys; from tests.benchmarks import "
        script += "speed_bench as s; "
        write = f"s.write_night(Path(sys.argv[1]), {wanted.captures}, {wanted.seconds})"
        cpu_of((sys.executable, "-c", script + write, folder / "night"))
        manifest = folder / "night/session.toml"
        audio = folder / "night/audio"
        python = (sys.executable, "-m")
        run = (*python, "pipeline", "run", manifest, "--quiet", "--out")
        work = script + "s.straightforward(Path(sys.argv[1]))"
        plain = cpu_of((sys.executable, "-c", work, audio))[0]
        meters, ones, twos, unchanged = [], [], [], []
        for _ in range(wanted.repeats):
            # Turn by turn, so that a machine that is slow for a while is so for all.
            meters.append(
                sum(
                    cpu_of((*METER, "-i", path, *FILTER))[0]
                    for path in sorted(audio.glob("p*.wav"))
                )
            )
            for done in ("one", "two"):
                shutil.rmtree(folder / done, ignore_errors=True)
            ones.append(cpu_of((*run, folder / "one", "--jobs", "1")))
            twos.append(cpu_of((*run, folder / "two", "--jobs", "2")))
            unchanged.append(cpu_of((*run, folder / "one", "--jobs", "1")))
        meter = min(meters)
        rows = [
            ("ffmpeg ebur128=peak=true", meter, None, None),
            ("straightforward script", plain, None, None),
            ("run, 1 worker", *best(ones)),
            ("run, 2 workers", *best(twos)),
            ("run again, unchanged", *best(unchanged)),
        ]
        print(f"{wanted.captures} captures of {wanted.seconds:.0f} s, 48 kHz, 24-bit")
        print(f"{'':28}{'CPU s':>8}{'x ffmpeg':>10}{'x script':>10}{'wall s':>8}"
              f"{'peak MiB':>10}")  # fmt: skip
        for label, cpu, wall, peak in rows:
            print(
                f"{label:28}{cpu:8.2f}{cpu / meter:10.2f}{cpu / plain:10.2f}"
                + (f"{wall:8.2f}{peak:10.0f}" if wall is not None else "")
            )
        print(f"wall, 2 workers / 1 worker: {rows[3][2] / rows[2][2]:.2f}")
        print()
        for label, cpu in by_stage(manifest, folder / "stages"):
            print(f"{label:28}{cpu:8.2f} s {cpu / wanted.captures * 1000:8.0f} ms each")
        shutil.rmtree(folder / "stages")


if __name__ == "__main__":
    main()
