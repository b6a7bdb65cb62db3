"""A real recording of a guitar as the DI of a session with known latencies.

The recording goes through the general-purpose effects of `pedalboard`: filters, a
memoryless distortion, convolution with minimum-phase responses. None of them delays
(`test_session` checks that), so the latency of a capture is what is inserted here,
fractions of a sample included. Effects run at four times the rate, so that what the
distortion adds does not fold back.
"""

import importlib.util
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr

from tests.scenes.recordings import real_recordings

OVERSAMPLING = 4
LEAD_S, TAIL_S = 2.0, 1.5
SHORTEST_S = 5.0
WRONG = "wrong-performance"


@dataclass(frozen=True)
class Chain:
    """One capture: gain into the clipper, a response, and what delays it."""

    id: str
    drive_db: float | None
    response: str
    late_s: float
    late_samples: float
    polarity: int = 1
    noise_db: float = -70.0
    shares: str = ""


CHAINS = (
    Chain("linear-bright", None, "bright", 0.5, 231.25),
    Chain("clean-bright", 6.0, "bright", 0.5, 231.25),
    Chain("edge-dark", 18.0, "dark", 1.25, 1040.6, noise_db=-60.0),
    Chain("high-bright", 36.0, "bright", 0.0, 733.4, noise_db=-50.0),
    Chain("high-dark", 36.0, "dark", 2.0, 90.87, noise_db=-55.0),
    Chain("high-flipped", 36.0, "bright", -0.75, 512.1, polarity=-1, noise_db=-50.0),
    Chain("high-noisy", 40.0, "dark", 0.25, 377.5, noise_db=-40.0),
    Chain("pair-near", 24.0, "bright", 0.75, 600.3, shares="pair"),
    Chain("pair-behind", 24.0, "bright", 0.75, 610.8, shares="pair"),
    Chain(WRONG, 24.0, "bright", 0.5, 231.25),
)


def recording_names():
    """Stems of the recordings of this machine that last long enough, longest first.

    A slide of 4 s is a real recording, too, but the estimator itself calls it too
    short to be sure, so no claim of two samples is made about it.
    """
    seconds = {
        name: len(sound) / rate_hz
        for name, (sound, rate_hz) in real_recordings().items()
    }
    long = [name for name, lasts in seconds.items() if lasts >= SHORTEST_S]
    return sorted(long, key=lambda name: -seconds[name])


def reason_to_skip():
    """Why no session can be made here, or None."""
    if importlib.util.find_spec("pedalboard") is None:
        return "the effects library pedalboard is not installed"
    if not recording_names():
        return (
            "no real recording found: install audioflux or sonic-pi-samples, or point "
            "REAMPS_REAL_AUDIO at a folder that holds guitar_chord2.wav"
        )
    return None


def response(kind, rate_hz):
    """A speaker and a microphone as a minimum-phase impulse response, 40 ms."""
    size = 16_384
    hz = np.maximum(np.fft.rfftfreq(size, 1 / rate_hz), 1.0)
    top_hz, hump_db, order = {"bright": (6200, 6, 3), "dark": (3900, 1, 2)}[kind]
    level_db = -10 * np.log10(1 + (hz / top_hz) ** (2 * order))
    level_db = 10 * np.log10(10 ** (level_db / 10) + 10**-5.5)
    level_db -= 10 * np.log10(1 + (90 / hz) ** 4)
    level_db += hump_db * np.exp(-0.5 * (np.log2(hz / 2800) / 0.6) ** 2)
    cepstrum = np.fft.irfft(np.maximum(level_db, -90) * np.log(10) / 20)
    cepstrum[1 : size // 2] *= 2
    cepstrum[size // 2 + 1 :] = 0
    impulse = np.fft.irfft(np.exp(np.fft.rfft(cepstrum)))[: round(0.04 * rate_hz)]
    return impulse.astype(np.float32)


def board(chain, rate_hz):
    """The effects of one chain. pedalboard's convolution rescales the response."""
    import pedalboard

    effects = [pedalboard.HighpassFilter(70.0), pedalboard.PeakFilter(750.0, 5.0, 0.7)]
    if chain.drive_db is not None:
        effects.append(pedalboard.Distortion(chain.drive_db))
        effects.append(pedalboard.HighShelfFilter(2500.0, 3.0, 0.7))
    impulse = response(chain.response, rate_hz)[np.newaxis]
    effects.append(pedalboard.Convolution(impulse, mix=1.0, sample_rate=rate_hz))
    return pedalboard.Pedalboard(effects)


def processed(dry, chain, rate_hz):
    fine_hz = OVERSAMPLING * rate_hz
    fine = soxr.resample(dry, rate_hz, fine_hz, quality="VHQ").astype(np.float32)
    loud = board(chain, fine_hz)(fine, fine_hz)
    wet = soxr.resample(loud.astype(np.float64), fine_hz, rate_hz, quality="VHQ")
    return np.pad(wet, (0, max(len(dry) - len(wet), 0)))[: len(dry)]


def late(sound, samples, frames):
    """A sound that starts so many samples late, in a file of so many frames."""
    whole, fraction = divmod(samples, 1.0)
    size = 1 << (len(sound) + 4096).bit_length()
    turns = np.fft.rfftfreq(size) * fraction
    spectrum = np.fft.rfft(sound, size) * np.exp(-2j * np.pi * turns)
    moved = np.roll(np.fft.irfft(spectrum, size), min(int(whole), 0))
    out = np.zeros(frames)
    start = max(int(whole), 0)
    length = min(frames - start, size)
    out[start : start + length] = moved[:length]
    return out


def di_of(name):
    sound, rate_hz = real_recordings()[name]
    sound = sound * (0.4 / np.max(np.abs(sound)))
    lead, tail = round(LEAD_S * rate_hz), round(TAIL_S * rate_hz)
    return np.pad(sound, (lead, tail)), rate_hz


def write_real_session(folder, name=None):
    """Write DI, captures, manifest and truth.

    Returns (manifest, truth): paths of a TOML file, and of a JSON file with
    `latency_samples` (at the DI's rate, positive = late) and `polarity` by capture.
    """
    name = name or recording_names()[0]
    dry, rate_hz = di_of(name)
    folder = Path(folder)
    (folder / "audio").mkdir(parents=True, exist_ok=True)
    write(folder / "audio" / "di.wav", dry, rate_hz)
    truth = {"sample_rate_hz": rate_hz, "wrong": WRONG, "captures": {}}
    for index, chain in enumerate(CHAINS):
        played = dry[::-1] if chain.id == WRONG else dry
        samples = round(chain.late_s * rate_hz) + chain.late_samples
        frames = len(dry) + max(round(samples), 0) + rate_hz
        wet = late(processed(played, chain, rate_hz), samples, frames)
        wet *= chain.polarity * 0.4 / np.max(np.abs(wet))
        rng = np.random.default_rng(index)
        scale = np.sqrt(np.mean(wet**2)) * 10 ** (chain.noise_db / 20)
        wet += rng.normal(0, scale, len(wet))
        write(folder / "audio" / f"{chain.id}.wav", wet, rate_hz)
        truth["captures"][chain.id] = {
            "latency_samples": None if chain.id == WRONG else samples,
            "polarity": None if chain.id == WRONG else chain.polarity,
        }
    manifest = folder / "session.toml"
    manifest.write_text(manifest_text(name), encoding="utf-8")
    facts = folder / "truth.json"
    facts.write_text(json.dumps(truth, indent=2), encoding="utf-8")
    return manifest, facts


def write(path, sound, rate_hz):
    soundfile.write(path, sound, rate_hz, subtype="PCM_24")


def manifest_text(name):
    lines = [
        "format = 1",
        "[session]",
        f'name = "Real strings {name}"',
        "[di]",
        'file = "audio/di.wav"',
    ]
    for chain in CHAINS:
        lines += ["[[capture]]", f'file = "audio/{chain.id}.wav"']
        if chain.shares:
            lines.append(f'pass = "{chain.shares}"')
    return "\n".join(lines) + "\n"
