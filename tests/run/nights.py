"""A session small enough to be killed often, its folder as bytes, and the command."""

import os
import subprocess
import sys
from pathlib import Path
from unittest.mock import patch

import numpy as np
import soundfile

from pipeline.run.service import Options, Outcome, run_manifests
from tests.run.sessions import RATE, late, plucks, rig

ROOT = Path(__file__).parents[2]
ONE_THREAD = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    # The time of a run is in its record and in its page.
    "SOURCE_DATE_EPOCH": "1700000000",
}


def write_night(folder: Path, captures: int = 4, seconds: float = 4.0) -> Path:
    """Write a DI and captures: two mics in one file, the others one a file."""
    rng = np.random.default_rng(5)
    (folder / "audio").mkdir(parents=True, exist_ok=True)
    di = plucks(2, seconds)
    soundfile.write(folder / "audio/di.wav", di, RATE, "PCM_24")
    sounds = {"low": rig(di, 3.0, 5500.0), "high": rig(di, 20.0, 4500.0)}
    lines = ['format = 1\n[session]\nname = "Boat house"\n[di]\nfile = "audio/di.wav"']
    lines.append("[setup.low]\n[setup.high]")
    for index in range(captures):
        setup = "low" if index % 2 == 0 else "high"
        played = 0.6 * late(sounds[setup], 300 + 41 * (index // 2))
        noisy = played + 1e-4 * rng.normal(size=played.size)
        name = f"p{index:03d}"
        channel = ""
        if index == 1:
            both = np.stack([noisy, 0.7 * np.roll(noisy, 30)], axis=1)
            soundfile.write(folder / f"audio/{name}.wav", both, RATE, "PCM_24")
            channel = f'\npass = "{name}"\nchannel = '
            lines.append(
                f'[[capture]]\nid = "{name}-b"\nfile = "audio/{name}.wav"'
                f'{channel}2\nsetup = "{setup}"'
            )
            channel += "1"
        else:
            soundfile.write(folder / f"audio/{name}.wav", noisy, RATE, "PCM_24")
        lines.append(
            f'[[capture]]\nid = "{name}"\nfile = "audio/{name}.wav"{channel}\n'
            f'setup = "{setup}"'
        )
    manifest = folder / "session.toml"
    manifest.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return manifest


def command(*arguments: object) -> list[str]:
    """Spell a command of this program."""
    return [sys.executable, "-m", "pipeline", *map(str, arguments)]


def start(*arguments: object, **options: object) -> subprocess.Popen[str]:
    """Start a command of this program, with its messages piped."""
    return subprocess.Popen(
        command(*arguments),
        env={**os.environ, **ONE_THREAD},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        **{"cwd": ROOT, **options},
    )


def finish(*arguments: object, patience_s: float = 300.0) -> tuple[int, str, str]:
    """Run a command of this program: exit status, standard output and error."""
    with start(*arguments) as process:
        out, err = process.communicate(timeout=patience_s)
    return process.returncode, out, err


def process(manifest: Path, folder: Path) -> Outcome:
    """Run a session in this process as `start` would: one thread, at the same time."""
    with patch.dict(os.environ, ONE_THREAD):
        (outcome,) = run_manifests([manifest], folder, Options(jobs=1, quiet=True))
    return outcome


def content(folder: Path, *, kept: bool = False) -> dict[str, bytes]:
    """Every file of a folder; what is kept for the next run only where asked for."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and (kept or ".kept" not in path.parts)
    }
