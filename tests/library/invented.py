"""Invented nights as plain data, ready for `record.json`: nothing is measured.

Figures follow a few hidden numbers of each rig, so that ranges, distances and
drifts are known by construction. No people, brands or songs.
"""

import json
import math
import random
from pathlib import Path
from typing import Any

METRICS = {
    "brightness_hz": (500.0, 3000.0),
    "tilt_db_per_octave": (-9.0, -2.0),
    "body_db": (-14.0, -3.0),
    "mud_db": (-12.0, -3.0),
    "presence_db": (-26.0, -6.0),
    "fizz_db": (-50.0, -18.0),
    "crest_db": (7.0, 18.0),
    "plr_db": (7.0, 17.0),
    "lra_lu": (1.0, 9.0),
    "noise_dbfs": (-90.0, -50.0),
    "hum_db": (-80.0, -40.0),
    "linear_share": (0.05, 0.99),
    "compression_db_per_db": (0.1, 1.0),
    "hold_db": (-2.0, 9.0),
}
AMPS = ("small valve combo", "transistor head", "two-channel stack", "kitchen amp")
CABS = ("two by twelve", "open one by ten", "closed four by twelve")
MICS = {"dyn one": "dynamic", "rib one": "ribbon", "con one": "condenser"}
POSITIONS = (
    ("cap centre", 0.0),
    ("cap edge", 35.0),
    ("cone", 80.0),
    ("cone edge", 120.0),
)
BANDS = [1000 * 10 ** ((n - 16) / 10) for n in range(30)]
ERB, SMOOTH, ENVELOPE = 36, 160, 400


def shape(rng: random.Random, count: int) -> list[float]:
    """Level over bands: a tilt and three bumps, dB."""
    tilt = rng.uniform(-14, -3)
    bumps = [
        (rng.uniform(0, 1), rng.uniform(-6, 6), rng.uniform(0.05, 0.3)) for _ in "abc"
    ]
    return [
        round(
            -30
            + tilt * k / count * 3
            + sum(g * math.exp(-(((k / count - c) / w) ** 2)) for c, g, w in bumps),
            2,
        )
        for k in range(count)
    ]


def curves(rng: random.Random, share: float, slope: float) -> dict[str, Any]:
    """Curves of one capture."""
    return {
        "third_octave_db": shape(rng, len(BANDS)),
        "erb_db": shape(rng, ERB),
        "smooth_db": shape(rng, SMOOTH),
        "coherence": [
            round(share * (0.95 if 60 < hz < 6000 else 0.3), 3) for hz in BANDS
        ],
        "levels": [
            [float(x), round(-20 + slope * (x + 20), 2)] for x in range(-54, -8, 2)
        ],
        "envelope": [round(abs(math.sin(k / 17)) * 0.8, 3) for k in range(ENVELOPE)],
    }


def capture(rng: random.Random, index: int) -> dict[str, Any]:
    """One capture that came out well."""
    number, mic_at = divmod(index, len(MICS))
    position, offset = POSITIONS[number % len(POSITIONS)]
    found = {key: rng.uniform(*span) for key, span in METRICS.items()}
    name = f"t{index + 1:03d}"
    return {
        "id": name,
        "file": f"audio/{name}.wav",
        "channel": 1,
        "pass": f"p{number + 1:02d}",
        "setup": ("clean", "driven")[number // len(POSITIONS) % 2],
        "mic": tuple(MICS)[mic_at],
        "place": {
            "speaker": "left",
            "position": position,
            "offset_mm": offset,
            "distance_mm": rng.choice([0.0, 25.0, 50.0, 100.0, 300.0]),
            "angle_deg": rng.choice([0.0, 30.0]),
        },
        "tags": rng.sample(["dark", "tight", "keep", "odd"], 2),
        "notes": None,
        "private": {"price": 12},
        "status": "ok",
        "findings": [],
        "latency": {
            "samples": 512.3,
            "ms": 10.67,
            "polarity": 1,
            "confidence": 0.97,
            "drift_ppm": 0.0,
            "jumps": [],
        },
        "shift_samples": 512.3,
        "loudness": {
            "source_lufs": -31.0,
            "gain_db": 8.0,
            "lufs": -23.0,
            "lra_lu": 4.0,
            "max_momentary_lufs": -18.0,
            "max_short_term_lufs": -20.0,
            "true_peak_dbtp": -6.0,
        },
        "metrics": found,
        "curves": curves(rng, found["linear_share"], found["compression_db_per_db"]),
        "output": {"file": f"audio/{name}.wav", "sha256": "0" * 64, "frames": 480000},
    }


def night(seed: int = 0, count: int = 6, **session: Any) -> dict[str, Any]:
    """A whole night; `session` overrides keys of the session's table."""
    rng = random.Random(seed)  # noqa: S311 not a secret
    captures = [capture(rng, k) for k in range(count)]
    amp, cab = rng.choice(AMPS), rng.choice(CABS)
    return {
        "format": 1,
        "created": f"2025-{1 + seed % 12:02d}-{1 + seed % 28:02d}T20:00:00+00:00",
        "version": "0.1.0",
        "session": {
            "name": f"night {seed}",
            "date": f"2025-{1 + seed % 12:02d}-{1 + seed % 28:02d}",
            "room": "north barn",
            "private": {"invoice": "K-4711 unpaid"},
            **session,
        },
        "align_mode": "pass",
        "di": {
            "file": "audio/di.wav",
            "sha256": f"{seed:064x}",
            "sample_rate_hz": 48000,
            "frames": 480000,
            "third_octave_db": shape(rng, len(BANDS)),
            "envelope": [0.5] * ENVELOPE,
        },
        "loudness": {
            "target_lufs": -23.0,
            "effective_target_lufs": -23.0,
            "max_true_peak_dbtp": -1.0,
        },
        "recall": {
            "setup": {
                "clean": {
                    "amp": amp,
                    "gain": 2.5,
                    "knobs": {"bass": 5},
                    "cabinet": "cab",
                },
                "driven": {
                    "amp": amp,
                    "gain": 8,
                    "pedals": ["overdrive"],
                    "cabinet": "cab",
                    "private": {"amp_serial": "SN-0001-SECRET"},
                },
            },
            "cabinet": {"cab": {"model": cab, "height_mm": 300.0}},
            "mic": {name: {"type": kind} for name, kind in MICS.items()},
        },
        "axes": {
            "third_octave_hz": BANDS,
            "third_octave_label": [f"{hz:.0f}" for hz in BANDS],
            "erb_hz": [60 * 1.15**k for k in range(ERB)],
            "smooth_hz": [20 * 1000 ** (k / SMOOTH) for k in range(SMOOTH)],
        },
        "captures": captures,
        "pairs": [
            {
                "pass": a["pass"],
                "a": a["id"],
                "b": b["id"],
                "delay_samples": 2.8,
                "distance_mm": 20.0,
                "polarity": 1,
                "confidence": 0.9,
            }
            for a, b in zip(captures[::3], captures[1::3], strict=False)
        ],
        "shortlist": [{"id": captures[0]["id"], "reason": "brightest of its group"}],
    }


def write(folder: Path, record: dict[str, Any]) -> Path:
    """Write a run's folder without audio."""
    folder.mkdir(parents=True, exist_ok=True)
    text = json.dumps(record, ensure_ascii=False)
    (folder / "record.json").write_text(text, encoding="utf-8")
    return folder
