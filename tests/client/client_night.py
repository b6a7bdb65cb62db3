"""A small night on disk: a record with private words everywhere, and its audio.

Eight seconds of plucked notes: few in the first half, eight a second from 5 to 7 s, so
that the liveliest part is known. Captures differ by tilt, level and saturation.
"""

import base64
import json
import sys
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from pipeline.dsp.activity import active_frames
from pipeline.dsp.loudness import loudness_cells
from pipeline.dsp.spectrum import average_spectrum, erb_band_levels
from pipeline.files.audio import sha256_of
from pipeline.files.store import write_record
from pipeline.models.record import Record

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))
import records

RATE = 48000
SECONDS = 8
LIVELY = (5.0, 7.0)
SECRETS = (
    "Quillfeather",
    "walnut-valve-head",
    "Mx Brindle",
    "secret-file-stem",
    "mossgreen",
    "private-noise-note",
    "/somewhere/at/home",
    "licensed-band",
)
TILTS = (0.0, 6.0, -6.0, 2.0, -2.0, 3.5)
IDS = tuple(f"secret-file-stem-{k}" for k in range(len(TILTS)))


@lru_cache(maxsize=1)
def plucks() -> np.ndarray:
    """The dry playing."""
    out = np.zeros(RATE * SECONDS)
    at = np.arange(RATE * 2) / RATE
    times = [0.2, 2.2, 3.8, *np.arange(LIVELY[0], LIVELY[1], 0.125)]
    for number, start in enumerate(times):
        pitch = 110.0 * 2 ** ((number * 5 % 12) / 12)
        note = sum(np.sin(2 * np.pi * pitch * k * at + k) / k for k in range(1, 40))
        first = round(start * RATE)
        length = min(len(at), len(out) - first)
        out[first : first + length] += (note * np.exp(-6 * at))[:length]
    return 0.1 * out / np.abs(out).max()


def coloured(dry: np.ndarray, tilt_db: float, drive: float) -> np.ndarray:
    """Drive, then tilt around 1 kHz, dB an octave."""
    wet = np.tanh(drive * dry / 0.1)
    freq = np.maximum(np.fft.rfftfreq(len(wet), 1 / RATE), 20.0)
    gain = 10 ** (np.clip(tilt_db * np.log2(freq / 1000), -40, 24) / 20)
    return np.fft.irfft(np.fft.rfft(wet) * gain, len(wet))


def levelled(samples: np.ndarray, lufs: float = -23.0) -> np.ndarray:
    """At one loudness."""
    found = loudness_cells(samples, RATE).loudness().integrated_lufs
    return (samples * 10 ** ((lufs - found) / 20)).astype(np.float32)


def bands(samples: np.ndarray) -> list[float]:
    """Levels in auditory bands."""
    active = active_frames(samples, RATE).active
    return erb_band_levels(average_spectrum(samples, RATE, active)).tolist()


@lru_cache(maxsize=1)
def sounds() -> tuple[np.ndarray, ...]:
    """One a capture."""
    dry = plucks()
    return tuple(levelled(coloured(dry, t, 0.3 + k)) for k, t in enumerate(TILTS))


def data(folder: Path) -> dict[str, Any]:
    """Record's data; audio is written into the folder."""
    found = records.night(16)
    found["captures"] = found["captures"][: len(TILTS)]
    found.update(pairs=[], reflections=[], shortlist=[], blends=[])
    found["comparison"] = {"reference": None}
    found["repeatability"] = None
    found["session"] = {
        "name": "Quillfeather session",
        "client": "Mx Brindle",
        "notes": "private-noise-note",
        "private": {"home": "/somewhere/at/home"},
    }
    found["recall"]["setup"] = {"clean": {"amp": "walnut-valve-head"}}
    (folder / "audio").mkdir(parents=True)
    for number, (capture, samples) in enumerate(
        zip(found["captures"], sounds(), strict=True)
    ):
        file = f"audio/{IDS[number]}.wav"
        soundfile.write(folder / file, samples, RATE, subtype="PCM_24")
        capture.update(
            id=IDS[number],
            file=f"/somewhere/at/home/{IDS[number]}.wav",
            setup="walnut-valve-head",
            mic="mossgreen",
            notes="private-noise-note",
            tags=["mossgreen"],
            private={"owner": "Mx Brindle"},
            control=False,
            status="ok",
            findings=[],
            output={
                "file": file,
                "sha256": sha256_of(folder / file),
                "frames": len(samples),
            },
        )
        capture["curves"]["erb_db"] = bands(samples)
        found["axes"]["erb_hz"] = [float(k + 1) for k in range(len(bands(samples)))]
        capture["metrics"].update(
            brightness_hz=900.0 * 2 ** (TILTS[number] / 6),
            linear_share=0.95 - 0.1 * number,
            body_db=-7.0 - TILTS[number] / 2,
            presence_db=-15.0 + TILTS[number],
        )
    found["context"].update(
        file="/somewhere/at/home/licensed-band.wav", listen="listen/licensed-band.js"
    )
    (folder / "listen").mkdir()
    band = base64.b64encode(b"licensed-band" * 99).decode("ascii")
    (folder / "listen/licensed-band.js").write_text(
        f'reamps_audio({{"id":"listen/licensed-band.js","data":"{band}"}});\n',
        encoding="utf-8",
    )
    dry = plucks().astype(np.float32)
    soundfile.write(folder / "audio" / "dry.wav", dry, RATE, subtype="PCM_24")
    found["di"].update(
        file="/somewhere/at/home/secret-file-stem-di.wav",
        frames=len(dry),
        sample_rate_hz=RATE,
        output={
            "file": "audio/dry.wav",
            "sha256": sha256_of(folder / "audio" / "dry.wav"),
            "frames": len(dry),
        },
    )
    return found


def keep(folder: Path, found: dict[str, Any]) -> None:
    """Write the record."""
    write_record(folder, Record.model_validate_json(json.dumps(found)))


def write(folder: Path) -> Path:
    """A whole run's folder."""
    folder.mkdir(exist_ok=True)
    keep(folder, data(folder))
    return folder
