"""A session on disk for the browser: page, WAV files and listening scripts.

Each capture is a steady sine of its own frequency and level, so that whatever the
browser renders can be told apart and compared with the file, frame by frame.
"""

import io
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from pipeline.models.picks import PicksBook
from pipeline.report.listening import (
    listening_file,
    listening_samples,
    listening_script,
)
from pipeline.report.page import NOBODY, render_page

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))
import records

RATE = 48000
SECONDS = 3
LEVEL = 0.25


def tone(index: int) -> np.ndarray:
    """Sine of capture number `index`, as 16-bit integers."""
    at = np.arange(RATE * SECONDS) / RATE
    wave = LEVEL * np.sin(2 * math.pi * 110 * (index + 1) * at + 0.3)
    return np.round(wave * 32767).astype(np.int16)


def band() -> np.ndarray:
    """Backing track: noise, so that any stretch of it tells its place; two channels."""
    rng = np.random.default_rng(3)
    wave = 0.08 * rng.uniform(-1, 1, (RATE * SECONDS, 2)) * [1.0, 0.6]
    return np.round(wave * 32767).astype(np.int16)


def encoded(samples: np.ndarray, kind: str) -> bytes:
    """Samples as a FLAC or WAV file."""
    held = io.BytesIO()
    soundfile.write(held, samples, RATE, format=kind, subtype="PCM_16")
    return held.getvalue()


def every() -> np.ndarray:
    """Every 16-bit sample once, in a jumbled order."""
    samples = np.arange(-32768, 32768, dtype=np.int16)
    return np.random.default_rng(1).permutation(samples)


def listening(index: int, file: str, samples: np.ndarray) -> bytes:
    """Script of a sound, in one of the three forms that there are."""
    kind = ("FLAC", "WAV", "L16")[index % 3]
    if kind == "L16":
        return bytes(listening_samples(file, samples, rate=RATE))
    return listening_script(
        file,
        encoded(samples, kind),
        f"audio/{kind.lower()}",
        rate=RATE,
        frames=len(samples),
    ).encode("utf-8")


def write(
    folder: Path,
    data: dict[str, Any],
    *,
    listen: bool = True,
    book: PicksBook = NOBODY,
) -> Path:
    """Page with audio for everything that has an output; the page's path."""
    data["di"].update(sample_rate_hz=RATE, frames=RATE * SECONDS)
    record = records.record(data)
    sounds = [capture.output for capture in record.captures]
    sounds += [blend.output for blend in record.blends]
    sounds.append(record.di.output)
    (folder / "audio").mkdir()
    (folder / "listen").mkdir()
    for index, output in enumerate(sounds):
        if output is None:
            continue
        samples = tone(index)
        (folder / output.file).write_bytes(encoded(samples, "WAV"))
        if listen:
            path = folder / listening_file(output.file)
            path.write_bytes(listening(index, output.file, samples))
    if listen:
        # Every 16-bit sample that there is, for whoever asks for it.
        script = listening_samples("audio/every.wav", every(), rate=RATE)
        (folder / "listen/every.js").write_bytes(script)
    if record.context is not None and listen:
        script = listening_samples(record.context.listen, band(), rate=RATE)
        (folder / record.context.listen).write_bytes(script)
    page = folder / "index.html"
    page.write_text(render_page(record, book), encoding="utf-8")
    return page
