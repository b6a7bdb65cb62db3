"""Records built by hand for the page's tests: no audio, no measuring.

The figures are plausible, not measured: spectra are smooth shapes whose tilt and
bumps follow a few numbers a capture, so that pictures look as they would on a night.
"""

import math
import random
from typing import Any

from pipeline.models.metrics import METRIC_KEYS
from pipeline.models.picks import PicksBook
from pipeline.models.record import Record

HOSTILE = "<script>alert(1)</script>"
HOSTILE_NAMES = (
    HOSTILE,
    '"><img src=x onerror=alert(2)>',
    "a/b\\c:d?e#f%20&amp;",
    "{{ 7 * 7 }} ${8*8}",
    "</script><!--",
    "\u2028\u2029line ends",
    "javascript:alert(3)",
    "Ünï cødé 音",
    "x" * 180,
)
SMOOTH_POINTS = 120
SPOTS = (
    ("cap centre", 0.0, 0.0, 1.0),
    ("cap edge", 35.0, 0.0, 0.65),
    ("cap edge", 35.0, 45.0, 0.45),
    ("cone", 80.0, 0.0, 0.25),
    ("cone edge", 120.0, 0.0, 0.05),
)
MICS = (("bright dynamic", 0.25), ("dark ribbon", -0.35), ("room condenser", 0.0))


def bands() -> tuple[list[float], list[str]]:
    """Exact third-octave centres and nominal labels, 20 Hz to 20 kHz.

    IEC 61260-1: 1000 * 10^(n/10).
    """
    nominal = "20 25 31.5 40 50 63 80 100 125 160 200 250 315 400 500 630 800 1000"
    nominal += " 1250 1600 2000 2500 3150 4000 5000 6300 8000 10000 12500 16000 20000"
    labels = nominal.split()
    return [1000 * 10 ** ((n - 17) / 10) for n in range(len(labels))], labels


def shape(hz: float, bright: float, seed: int) -> float:
    """Level of an invented tone at a frequency, dB."""
    octaves = math.log2(hz / 400)
    low = -18 * max(0.0, math.log2(80 / hz)) if hz < 80 else 0.0
    high = -(14 - 5 * bright) * max(0.0, math.log2(hz / (3500 + 1800 * bright)))
    bump = (3 + 4 * bright) * math.exp(-((math.log2(hz / 2600)) ** 2) / 0.6)
    ripple = 1.3 * math.sin(seed * 1.7 + octaves * 2.3)
    return -34 - abs(octaves) * 2.0 + low + high + bump + ripple


def curves(bright: float, share: float, seed: int) -> dict[str, Any]:
    """Curves of one invented capture."""
    hz, _ = bands()
    rng = random.Random(seed)  # noqa: S311 not a secret
    slope = 0.3 + 0.6 * share
    phrase = [
        max(0.02, math.exp(-(k % 40) / 22) * (0.5 + 0.4 * math.sin(k / 37) ** 2))
        for k in range(400)
    ]
    return {
        "third_octave_db": [round(shape(f, bright, seed), 2) for f in hz],
        "erb_db": [round(shape(60 * 1.15**k, bright, seed), 2) for k in range(36)],
        "smooth_db": [
            round(shape(20 * 1000 ** (k / (SMOOTH_POINTS - 1)), bright, seed), 2)
            for k in range(SMOOTH_POINTS)
        ],
        "coherence": [round(share * (0.9 if 80 < f < 5000 else 0.4), 3) for f in hz],
        "levels": [[x, round(-20 + slope * (x + 20), 1)] for x in range(-50, -5, 3)],
        "envelope": [
            round(min(1.0, p * (0.7 + 0.3 * rng.random())), 3) for p in phrase
        ],
    }


def metrics(bright: float, share: float, seed: int) -> dict[str, float | None]:
    """Figures of one invented capture; null for a metric that is not known here."""
    rng = random.Random(seed + 1000)  # noqa: S311 not a secret
    found: dict[str, float | None] = {
        "brightness_hz": 620 * 2 ** (1.6 * bright) * rng.uniform(0.96, 1.04),
        "tilt_db_per_octave": -6 + 3 * bright,
        "body_db": -7 - 4 * bright + rng.uniform(-0.5, 0.5),
        "mud_db": -5 - 2 * bright + rng.uniform(-0.5, 0.5),
        "presence_db": -18 + 9 * bright + rng.uniform(-0.5, 0.5),
        "fizz_db": -32 + 12 * bright + rng.uniform(-0.5, 0.5),
        "crest_db": 9 + 6 * share,
        "plr_db": 8 + 6 * share,
        "lra_lu": 3 + 4 * share,
        "noise_dbfs": -62 - 12 * share,
        "hum_db": -58 - 6 * share,
        "linear_share": share,
        "hold_db": 4.0 - 3.0 * share,
        "compression_db_per_db": 0.3 + 0.6 * share,
    }
    return {key: found.get(key) for key in METRIC_KEYS}


def distances(captures: list[dict[str, Any]]) -> list[list[float]]:
    """Root mean square difference over bands: a stand-in for the real measure."""
    spectra = [c["curves"]["erb_db"] for c in captures]
    return [
        [
            round(
                math.sqrt(sum((p - q) ** 2 for p, q in zip(a, b, strict=True)) / 36), 2
            )
            for b in spectra
        ]
        for a in spectra
    ]


def finding(code: str, severity: str, message: str, fix: str | None) -> dict[str, Any]:
    """One finding."""
    return {"code": code, "severity": severity, "message": message, "fix": fix}


def capture(index: int, name: str, gains: int) -> dict[str, Any]:
    """One invented capture that came out well."""
    number, mic_at = divmod(index, len(MICS))
    gain = number % gains
    position, x_mm, angle, spot = SPOTS[(number // gains) % len(SPOTS)]
    mic, colour = MICS[mic_at]
    bright = min(1.0, max(0.0, 0.15 + 0.6 * spot + colour))
    share = (0.82, 0.33, 0.55)[gain % 3] - 0.03 * math.sin(index)
    late = 512.31 + (128 if number % 11 == 10 else 0) + (0, 2.84, 196.7)[mic_at]
    distance = (25.0, 45.0, 1500.0)[mic_at]
    return {
        "id": name,
        "file": f"audio/{name}.wav",
        "channel": 1,
        "pass": f"p{number + 1:02d}",
        "setup": ("clean", "driven", "edge")[gain % 3],
        "mic": mic,
        "place": {
            "speaker": "left",
            "position": position,
            "offset_mm": x_mm,
            "x_mm": x_mm,
            "y_mm": 0.0,
            "distance_mm": distance,
            "angle_deg": angle,
            "treatment": "blanket on the floor" if number % 2 else None,
        },
        "control": index in {0, 3},
        "tags": ["keeper"] if index == 4 else [],
        "notes": "Moved the cab 10 cm forward before this one." if index == 5 else None,
        "private": {"microphone_model": "an invented one"} if index % 4 == 0 else {},
        "status": "ok",
        "findings": [],
        "latency": {
            "samples": late,
            "ms": late / 48,
            "polarity": 1,
            "confidence": 0.98,
            "drift_ppm": 0.0,
            "jumps": [],
            "explained_share": 0.9,
            "window_vote": 1.0,
            "track": [
                {"at_s": 5.0 * k, "samples": late + 0.05 * math.sin(index + k)}
                for k in range(7)
            ],
        },
        "shift_samples": late,
        "loudness": {
            "source_lufs": -19.4 - bright,
            "gain_db": -3.6 + bright,
            "lufs": -23.0,
            "lra_lu": 5.1,
            "max_momentary_lufs": -18.2,
            "max_short_term_lufs": -20.3,
            "true_peak_dbtp": -9.8 + 3 * share,
        },
        "metrics": metrics(bright, share, index),
        "curves": curves(bright, share, index),
        "output": {"file": f"audio/{name}.wav", "sha256": "0" * 64, "frames": 1440000},
    }


def hum_print() -> dict[str, Any]:
    """Points of a noise print with three lines of 50 Hz."""
    hz = [2.93 * k for k in range(7, 342)]
    lines = (50.0, 100.0, 150.0)
    level = [
        -95 + sum(45 * math.exp(-(((f - at) / 3) ** 2)) for at in lines) for f in hz
    ]
    return {
        "lines": [{"name": "noise", "x": hz, "y": level}],
        "marks": list(lines),
        "numbers": {"mains_hz": 50.0, "hum_db": -41.0, "harmonics": 3.0},
    }


def spoil(captures: list[dict[str, Any]]) -> None:
    """Plant the night's mishaps among the captures."""
    late = captures[4]
    late["status"] = "flagged"
    late["latency"]["polarity"] = -1
    late["findings"] = [
        finding(
            "polarity_differs",
            "warn",
            "Upside down against the other captures of its set-up.",
            "Flip its polarity before blending it with another microphone.",
        )
    ]
    runs = captures[7]
    runs["status"] = "flagged"
    runs["latency"]["drift_ppm"] = 18.4
    runs["latency"]["jumps"] = [{"at_s": 14.0, "samples": 64.0}]
    runs["latency"]["track"] = [
        {"at_s": 5.0 * k, "samples": 512.3 + 4.4 * k + (64 if k > 2 else 0)}
        for k in range(7)
    ]
    runs["findings"] = [
        finding(
            "drift",
            "warn",
            "Runs away from the DI by 18.4 ppm: 26.5 samples (0.55 ms) over the take.",
            "One interface cannot drift. Check which clock recorded this file.",
        ),
        finding("jump", "warn", "Jumps 64 samples (1.3 ms) later at 0:14.", None),
    ]
    captures[8]["findings"] = [
        finding("hum", "note", "50 Hz hum 41 dB below the music.", "Move the cable.")
        | {"evidence": hum_print()}
    ]
    wrong = captures[10]
    wrong.update(
        status="rejected",
        latency=None,
        shift_samples=None,
        loudness=None,
        metrics={},
        curves=None,
        output=None,
        findings=[
            finding(
                "not_this_di",
                "reject",
                "Another performance: the DI explains 3 % of it.",
                "Check that the right song was played through the amp.",
            )
        ],
    )


def sums(seed: int) -> dict[str, Any]:
    """Four arrangements of an invented pair."""
    hz, _ = bands()

    def result(delay_ms: float, sign: int) -> dict[str, Any]:
        curve = []
        for f in hz:
            turn = math.cos(2 * math.pi * f * delay_ms / 1000)
            curve.append(round(10 * math.log10(max(1e-2, 1 + sign * 0.93 * turn)), 2))
        loss = -min(3.0, sum(curve[6:27]) / 21)
        notches = [500 / delay_ms] if delay_ms and 500 / delay_ms < 8000 else []
        return {"loss_db": round(loss, 2), "notches_hz": notches, "curve_db": curve}

    late = 0.06 + 0.02 * (seed % 3)
    return {
        "as_placed": result(late, 1),
        "aligned": result(0.0, 1),
        "flipped": result(late, -1),
        "aligned_flipped": result(0.0, -1),
    }


def pairs(captures: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Close pair of every pass, and its room microphone."""
    found: list[dict[str, Any]] = []
    for index in range(0, len(captures) - 1, 3):
        a, b = captures[index], captures[index + 1]
        if a["status"] == "rejected" or b["status"] == "rejected":
            continue
        flipped = b["latency"]["polarity"] != a["latency"]["polarity"]
        found.append(
            {
                "pass": a["pass"],
                "a": a["id"],
                "b": b["id"],
                "delay_samples": 2.84,
                "uncertainty_samples": 0.2,
                "distance_mm": 20.3,
                "polarity": -1 if flipped else 1,
                "confidence": 0.93,
                "sums": sums(index),
                "advice": {
                    "kind": "flip" if flipped else "move",
                    "message": "Move the second microphone 20 mm (0.06 ms) closer "
                    "to the grille: the sum gains 3.1 dB at 5 kHz.",
                },
            }
        )
    return found


def blend(captures: list[dict[str, Any]]) -> dict[str, Any]:
    """Blend of the first two captures."""
    a, b = captures[0], captures[1]
    return {
        "id": "both close microphones",
        "pass": a["pass"],
        "reason": "Bright and dark at equal level: the fullest sum of this pass.",
        "aligned": True,
        "parts": [
            {"capture": a["id"], "gain_db": 0.0, "polarity": 1, "lag_samples": 0.0},
            {"capture": b["id"], "gain_db": -2.5, "polarity": 1, "lag_samples": 2.84},
        ],
        "sum_loss_db": 0.3,
        "loudness": a["loudness"],
        "metrics": a["metrics"],
        "curves": a["curves"],
        "output": {
            "file": "audio/both close microphones.wav",
            "sha256": "0" * 64,
            "frames": 1440000,
        },
    }


def comparison(captures: list[dict[str, Any]]) -> dict[str, Any]:
    """Distances, map and groups of the captures that were kept."""
    kept = [c for c in captures if c["curves"] is not None]
    return {
        "reference": kept[0]["id"],
        "ids": [c["id"] for c in kept],
        "distance_db": distances(kept),
        "spots": [
            {
                "id": c["id"],
                "x": c["metrics"]["presence_db"] + 14.0,
                "y": 10 * c["metrics"]["linear_share"] - 5,
            }
            for c in kept
        ],
        "groups": [[kept[0]["id"], kept[3]["id"]]],
    }


def recall() -> dict[str, Any]:
    """Rigs, cabinet and microphones of the invented session."""
    return {
        "setup": {
            "clean": {
                "amp": "small valve combo",
                "gain": 2.5,
                "knobs": {"bass": 5, "middle": 6, "treble": 4.5},
                "pedals": [],
                "cabinet": "two by twelve",
            },
            "driven": {
                "amp": "small valve combo",
                "gain": 8,
                "pedals": ["overdrive"],
                "cabinet": "two by twelve",
                "private": {"amp_serial": "0001"},
            },
            "edge": {"amp": "small valve combo", "gain": 5, "cabinet": "two by twelve"},
        },
        "cabinet": {
            "two by twelve": {
                "height_mm": 300.0,
                "speakers": [
                    {"id": "left", "diameter_mm": 305.0, "x_mm": 190.0, "y_mm": 250.0},
                    {"id": "right", "diameter_mm": 305.0, "x_mm": 520.0, "y_mm": 250.0},
                ],
            }
        },
        "mic": {
            "bright dynamic": {"type": "dynamic"},
            "dark ribbon": {"type": "ribbon", "pattern": "figure 8"},
            "room condenser": {"type": "condenser", "pattern": "omni"},
        },
    }


def di(name: str = "audio/di.wav") -> dict[str, Any]:
    """The dry recording."""
    hz, _ = bands()
    return {
        "file": name,
        "sha256": "f" * 64,
        "sample_rate_hz": 48000,
        "frames": 1440000,
        "channel": 1,
        "lufs": -22.1,
        "true_peak_dbtp": -6.3,
        "third_octave_db": [round(shape(f, 0.5, 3) - 2, 2) for f in hz],
        "envelope": [round(abs(math.sin(k / 21)) * 0.7, 3) for k in range(400)],
        "output": {"file": "audio/di.wav", "sha256": "f" * 64, "frames": 1440000},
    }


def night(count: int = 16, names: tuple[str, ...] = ()) -> dict[str, Any]:
    """A whole invented night as plain data, ready for `Record`.

    Names are used in order for the first captures; the others get plain ones.
    """
    captures = [
        capture(k, names[k] if k < len(names) else f"t{k + 1:03d}", 2 + count // 60)
        for k in range(count)
    ]
    spoil(captures)
    hz, labels = bands()
    kept = [c["id"] for c in captures if c["status"] != "rejected"]
    return {
        "format": 1,
        "created": "2031-05-17T01:42:00+00:00",
        "version": "0.1.0",
        "session": {
            "name": "Boathouse, third night",
            "song": "Low tide",
            "guitar": "semi-hollow, bridge pickup",
            "temperature_c": 18.5,
        },
        "align_mode": "pass",
        "di": di(),
        "loopback": None,
        "context": {
            "file": "audio/band.wav",
            "sha256": "e" * 64,
            "channels": 2,
            "sample_rate_hz": 44100,
            "offset_s": 12.5,
            "begins_s": 0.0,
            "ends_s": 30.0,
            "asked_db": -6.0,
            "source_lufs": -14.2,
            "gain_db": -16.0,
            "lufs": -30.2,
            "true_peak_dbtp": -12.0,
            "listen": "listen/Backing track.js",
            "listen_sha256": "e" * 64,
        },
        "loudness": {
            "target_lufs": -23.0,
            "effective_target_lufs": -24.2,
            "max_true_peak_dbtp": -1.0,
            "lowered_for": captures[2]["id"],
        },
        "recall": recall(),
        "axes": {
            "third_octave_hz": hz,
            "third_octave_label": labels,
            "erb_hz": [60 * 1.15**k for k in range(36)],
            "smooth_hz": [
                20 * 1000 ** (k / (SMOOTH_POINTS - 1)) for k in range(SMOOTH_POINTS)
            ],
        },
        "findings": [
            finding(
                "buffer_change",
                "warn",
                "Pass p11 is 128 samples (2.67 ms) later than the others.",
                "The interface was restarted with another buffer. Corrected here.",
            )
        ]
        if count > 33
        else [],
        "captures": captures,
        "pairs": pairs(captures),
        "blends": [blend(captures)],
        "reflections": [
            {
                "capture": captures[2]["id"],
                "predicted_delay_ms": 1.93,
                "predicted_level_db": -4.2,
                "predicted_notch_hz": 259.0,
                "measured_delay_ms": 1.97,
                "measured_level_db": -5.1,
                "against": captures[5]["id"],
                "message": "The floor's echo comes 1.97 ms late and 5.1 dB down. "
                "The blanket lowers it by 6 dB above 2 kHz.",
            }
        ],
        "repeatability": {
            "captures": [captures[0]["id"], captures[3]["id"]],
            "latency_samples": 0.04,
            "distance_db": 0.35,
            "metrics": {"brightness_hz": 12.0, "presence_db": 0.2},
        },
        "comparison": comparison(captures),
        "shortlist": [
            {"id": kept[0], "reason": "Brightest: centre of its power at 1240 Hz."},
            {"id": kept[1], "reason": "Darkest: 9 dB less at 2.5 to 5 kHz."},
            {"id": kept[2], "reason": "Most room: 1.5 m away."},
        ],
    }


def bare() -> dict[str, Any]:
    """A night in which everything optional is absent."""
    return {
        "format": 1,
        "created": "2031-05-17T01:42:00+00:00",
        "version": "0.1.0",
        "session": {},
        "align_mode": "mic",
        "di": {"file": "di.wav", "sha256": "0", "sample_rate_hz": 44100, "frames": 0},
        "loudness": {
            "target_lufs": -23.0,
            "effective_target_lufs": -23.0,
            "max_true_peak_dbtp": -1.0,
        },
        "captures": [
            {
                "id": "only",
                "file": "x.wav",
                "channel": 1,
                "pass": "only",
                "status": "ok",
            }
        ],
    }


def empty() -> dict[str, Any]:
    """A night without a single capture."""
    return {**bare(), "captures": []}


def hostile() -> dict[str, Any]:
    """A night whose every name tries to be markup."""
    data = night(16, HOSTILE_NAMES)
    data["session"] = {
        "name": HOSTILE,
        HOSTILE: HOSTILE,
        "nested": {HOSTILE: [HOSTILE, 1]},
        "private": {HOSTILE: HOSTILE},
    }
    data["di"] = di(f"audio/{HOSTILE}.wav")
    data["context"]["file"] = HOSTILE
    data["context"]["listen"] = f"listen/{HOSTILE}.js"
    for item in data["captures"]:
        item["pass"] = f"{item['pass']} {HOSTILE}"
        item["notes"] = HOSTILE
        item["tags"] = [HOSTILE]
        item["private"] = {HOSTILE: HOSTILE}
        item["place"]["position"] = HOSTILE
        item["place"]["treatment"] = HOSTILE
        for found in item["findings"]:
            found["message"] = found["fix"] = found["code"] = HOSTILE
    for pair in data["pairs"]:
        pair["pass"] = f"{pair['pass']} {HOSTILE}"
        pair["advice"]["message"] = HOSTILE
    for mixed in data["blends"]:
        mixed["id"] = mixed["reason"] = HOSTILE
        mixed["output"]["file"] = f"audio/{HOSTILE}.wav"
    data["recall"]["setup"]["clean"] = {HOSTILE: HOSTILE, "cabinet": HOSTILE}
    data["recall"]["mic"]["bright dynamic"] = {"type": HOSTILE}
    data["reflections"][0]["message"] = HOSTILE
    data["shortlist"][0]["reason"] = HOSTILE
    return data


def pick(order: tuple[str, ...], by: str = "Ash", **changes: Any) -> dict[str, Any]:
    """One answer to a page with t001, t002 and t006 on it."""
    called = {"t001": "First", "t002": "Darkest", "t006": "B2"}
    found = {
        "shortlist": "0" * 16,
        "title": "Which guitar sound?",
        "seal": (by.encode().hex() + "0" * 64)[:64],
        "by": by,
        "saved": "2031-05-18T09:00:00Z",
        "merged": "2031-05-18T10:30:00Z",
        "blind": False,
        "order": [{"id": id_, "name": called[id_]} for id_ in order],
        "comments": [],
        "heard": [
            {"id": id_, "name": name, "sha256": "0" * 64}
            for id_, name in called.items()
        ],
    }
    return {**found, **changes}


def comment(id_: str, at_s: float, text: str, name: str = "First") -> dict[str, Any]:
    """One comment."""
    return {"id": id_, "name": name, "at_s": at_s, "text": text}


def book(*picks: dict[str, Any]) -> PicksBook:
    """Answers that were merged, in this order."""
    import json

    return PicksBook.model_validate_json(json.dumps({"format": 1, "picks": picks}))


def record(data: dict[str, Any]) -> Record:
    """Plain data as a strict record."""
    import json

    return Record.model_validate_json(json.dumps(data))
