"""Impulse responses of amp, cabinet and microphone, as files.

From the music: the best linear filter from the DI to the aligned capture; from the
sweep of a play-out file, the linear response without the harmonics. Where there are
both, the one through which the DI comes nearer to the capture is written: a sweep as
loud as the DI's peaks finds a driven amplifier more compressed than the music does.
Level: convolving
the DI with the response gives the capture at the level that the run gave it ("match"),
or its loudest third octave from 50 Hz to 10 kHz is 0 dB ("unity"): a guitar says little
beyond.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import soxr
from numpy.typing import NDArray
from scipy import signal

from pipeline.day.swept import SweptSession, read_swept, sweep_taps
from pipeline.day.waves import write_wave_float
from pipeline.dsp.impulse import minimum_phase_taps, music_impulse
from pipeline.dsp.linearity import capture_spectra
from pipeline.errors import ReampsError
from pipeline.files.atomic import make_folder
from pipeline.files.audio import ChannelSource, sha256_of
from pipeline.files.bext import BextFields, coding_history_line
from pipeline.files.names import response_names
from pipeline.files.replacing import Kind, refuse_foreign
from pipeline.files.store import read_record, run_output
from pipeline.files.wave_chunks import read_bext, write_wave_24
from pipeline.models.record import Capture, Record
from pipeline.stages.di import DiMaterial, inspect_di, load_di

Float = NDArray[np.float64]
Float32 = NDArray[np.float32]
RATES_HZ = (44_100, 48_000, 96_000)
PRE_S = 0.002
LENGTH_S = 0.1
POOR = 0.5
LARGEST_24 = 0.999
ORIGINATOR = "reamps"
_SAID = "impulse response of"


def _is_response(path: Path) -> bool:
    bext = read_bext(path)
    return (
        bext is not None
        and bext.originator == ORIGINATOR
        and bext.description.startswith(_SAID)
    )


KIND = Kind("an impulse response", (".wav",), _is_response)


@dataclass(frozen=True, slots=True)
class ResponseWish:
    """What the user asks for.

    Parameters
    ----------
    folder : Path
        A run's folder.
    di : Path or None
        The dry recording of that run; not needed with the manifest.
    output : Path
        Folder for the responses.
    ids : tuple of str
        Captures; none means all that have an output.
    rates_hz : tuple of int
        Rates to write.
    minimum_phase : bool
        Whether each starts at once, without the room's and the path's delays.
    level : {"match", "unity"}
        Level convention.
    seconds : float
        Length.
    as_float : bool
        32-bit float instead of 24 bits.
    manifest : Path or None
        The run's manifest, which says where sweeps were recorded.
    """

    folder: Path
    di: Path | None
    output: Path
    ids: tuple[str, ...] = ()
    rates_hz: tuple[int, ...] = RATES_HZ
    minimum_phase: bool = False
    level: Literal["match", "unity"] = "match"
    seconds: float = LENGTH_S
    as_float: bool = False
    manifest: Path | None = None


@dataclass(frozen=True, slots=True)
class Response:
    """One capture's response.

    Parameters
    ----------
    id : str
        Of the capture.
    files : tuple of Path
        One a rate.
    swept : bool
        Whether it comes from a sweep, and not from the music.
    confidence : float
        Share of the capture that one linear filter explains: a clean chain comes
        near 1, a distorted one is described only in part.
    error_db : float
        Power of the capture minus the DI convolved with the response, against the
        capture's own, at the DI's rate.
    scaled_db : float
        By how much the taps were lowered to fit into 24 bits; 0 for none.
    lag_zero_s : float
        Where in the files lag 0 lies, s: so much later is what is made with them. The
        same for all that are written together, so that they stay in step.
    """

    id: str
    files: tuple[Path, ...]
    swept: bool
    confidence: float
    error_db: float
    scaled_db: float
    lag_zero_s: float


def write_responses(wish: ResponseWish) -> tuple[Response, ...]:
    """Write the responses of a run's captures.

    Parameters
    ----------
    wish : ResponseWish
        What is asked for.

    Returns
    -------
    tuple of Response
        One a capture, in the record's order.

    Raises
    ------
    ReampsError
        If a capture is unknown or has no output, or the DI is another one. An
        `OutputError` says that an output is not what the run wrote, or that another
        file is in the way.
    """
    record = read_record(wish.folder)
    swept = None if wish.manifest is None else read_swept(wish.manifest)
    di = wish.di or (swept.di if swept else None)
    if di is None:
        message = "responses need the DI (--di) or the manifest of the run (--manifest)"
        raise ReampsError(message)
    if sha256_of(di) != record.di.sha256:
        message = f"{di}: is not the DI of {wish.folder} (its checksum differs)"
        raise ReampsError(message)
    captures = _chosen(record, wish.ids)
    names = response_names(capture.id for capture in record.captures)
    files = {c.id: response_files(wish, names[c.id]) for c in captures}
    spec = inspect_di(di, record.di.channel)
    material = load_di(spec)
    found = []
    for capture in captures:
        if capture.output is None:
            message = f"{capture.id}: has no output in {wish.folder}"
            raise ReampsError(message)
        with ChannelSource(run_output(wish.folder, capture.output)) as source:
            samples = source.read(0, source.frames)
        candidates = (
            _from_sweep(wish, capture, swept, spec.sample_rate_hz),
            _from_music(wish, capture, material, samples),
        )
        found.append(_nearest(material, samples, candidates))
    # A sweep's response needs more room ahead of lag 0 than the music's.
    pre = max(best.pre for best, _, _ in found)
    responses = []
    for capture, (best, share, error_db) in zip(captures, found, strict=True):
        taps = np.concatenate([np.zeros(pre - best.pre), best.taps])
        place = (spec.sample_rate_hz, pre)
        scaled = write_taps(wish, files[capture.id], taps, place)
        responses.append(
            Response(
                capture.id,
                tuple(files[capture.id].values()),
                best.share is None,
                share,
                error_db,
                scaled,
                0.0 if wish.minimum_phase else pre / spec.sample_rate_hz,
            )
        )
    return tuple(responses)


def _chosen(record: Record, ids: Sequence[str]) -> list[Capture]:
    known = {c.id: c for c in record.captures if c.output}
    unknown = [id_ for id_ in ids if id_ not in known]
    if unknown or not known:
        message = (
            f"no output of the name {', '.join(unknown) or 'of any capture'}; there "
            f"are: {', '.join(known) or 'none'}"
        )
        raise ReampsError(message)
    return [known[id_] for id_ in ids] if ids else list(known.values())


@dataclass(frozen=True, slots=True)
class _Taps:
    """A response before it is written: lag 0 sits at `pre`."""

    taps: Float
    pre: int
    share: float | None
    """What the music says that one linear filter explains; None for a sweep."""


def _from_music(
    wish: ResponseWish,
    capture: Capture,
    material: DiMaterial,
    samples: NDArray[np.float32],
) -> _Taps:
    rate = material.reference.sample_rate_hz
    cross = capture_spectra(material.spectra, samples, material.activity)
    if cross is None:
        message = f"{capture.id}: too little of it overlaps the DI's playing"
        raise ReampsError(message)
    pre, frames = round(PRE_S * rate), round(wish.seconds * rate)
    frames = min(frames, len(cross.freq_hz) - 1)
    found = music_impulse(cross, pre, frames)
    return _Taps(found.taps, pre, found.confidence)


def _from_sweep(
    wish: ResponseWish, capture: Capture, swept: SweptSession | None, rate: int
) -> _Taps | None:
    found = sweep_taps(swept, capture) if swept else None
    if found is None:
        return None
    taps, pre = found
    return _Taps(trimmed(taps, pre + round(wish.seconds * rate)), pre, None)


def trimmed(taps: Float, frames: int) -> Float:
    """Shorten a response, its last quarter faded.

    Parameters
    ----------
    taps : ndarray of float64
        The response.
    frames : int
        Wanted length.

    Returns
    -------
    ndarray of float64
        As it is where it is no longer.
    """
    if len(taps) <= frames:
        return taps
    short = taps[:frames].copy()
    fall = max(frames // 4, 1)
    short[-fall:] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 0.5) / fall)
    return short


def _nearest(
    material: DiMaterial, samples: Float32, candidates: Sequence[_Taps | None]
) -> tuple[_Taps, float, float]:
    """Choose the candidate that comes nearer, with its share and error."""
    rated = [
        (_error_db(material.samples, samples, made.taps, made.pre), made)
        for made in candidates
        if made is not None
    ]
    error_db, best = min(rated, key=lambda pair: pair[0])
    share = best.share
    if share is None:
        share = max(0.0, 1.0 - 10.0 ** (error_db / 10.0))
    return best, share, error_db


def response_files(wish: ResponseWish, names: tuple[str, str]) -> dict[int, Path]:
    """Say where a response goes, and refuse what would replace something else.

    Parameters
    ----------
    wish : ResponseWish
        Folder, rates and phase.
    names : tuple of str
        What names start with, as from `response_names`.

    Returns
    -------
    dict of int to Path
        By rate in Hz. An `OutputError` says which other file is in the way.
    """
    name = names[1] if wish.minimum_phase else names[0]
    files = {hz: wish.output / f"{name} {hz}.wav" for hz in wish.rates_hz}
    for path in files.values():
        refuse_foreign(path, KIND)
    return files


def write_taps(
    wish: ResponseWish, files: Mapping[int, Path], taps: Float, place: tuple[int, int]
) -> float:
    """Write one response at every rate that is asked for.

    Parameters
    ----------
    wish : ResponseWish
        Level, phase and format.
    files : mapping of int to Path
        From `response_files`.
    taps : ndarray of float64
        The response.
    place : tuple of int
        Its rate, and the sample at which lag 0 sits.

    Returns
    -------
    float
        By how many dB they were lowered to fit into 24 bits; equal for all.
    """
    rate, pre = place
    make_folder(wish.output)
    if wish.minimum_phase:
        taps, pre = minimum_phase_taps(taps, len(taps)), 0
    if wish.level == "unity":
        taps = taps / _loudest(taps, rate)
    made = {hz: _at_rate(taps, rate, hz) for hz in files}
    peak = max(float(np.abs(part).max()) for part in made.values())
    gain = 1.0 if wish.as_float else min(1.0, LARGEST_24 / max(peak, 1e-12))
    scaled_db = -20.0 * float(np.log10(gain))
    for hz, path in files.items():
        text = (
            f"{_SAID} {path.stem}; lag 0 at sample {pre * hz / rate:.2f}; "
            f"level {wish.level}; lowered by {abs(scaled_db):.2f} dB"
        )
        bext = BextFields(description=text, originator=ORIGINATOR)
        samples = (gain * made[hz]).astype(np.float32)
        if wish.as_float:
            write_wave_float(path, samples, hz, bext)
        else:
            history = (coding_history_line(hz, "impulse response"),)
            write_wave_24(path, samples, hz, replace(bext, coding_history=history))
    return scaled_db


def _error_db(
    di: NDArray[np.float32], capture: NDArray[np.float32], taps: Float, pre: int
) -> float:
    made = signal.fftconvolve(di.astype(np.float64), taps)[pre : pre + len(di)]
    left = capture.astype(np.float64) - made
    power = max(float(np.mean(capture.astype(np.float64) ** 2)), 1e-30)
    return 10.0 * float(np.log10(max(float(np.mean(left**2)), 1e-30) / power))


def _loudest(taps: Float, rate: int) -> float:
    """Root mean square magnitude of the loudest third octave from 50 Hz to 10 kHz."""
    # Sixteen times the length: what lies between two bins is nearly a straight line.
    size = 16 * len(taps)
    step = rate / size
    power = np.abs(np.fft.rfft(taps, size)) ** 2
    ends = (np.arange(len(power) + 1) - 0.5) * step
    below = np.concatenate([[0.0], np.cumsum(power) * step])
    # IEC 61260-1: exact centres to the base ten.
    centres = 1000.0 * 10.0 ** (np.arange(-13, 11) / 10.0)
    low, high = centres * 10**-0.05, centres * 10**0.05
    inside = high < rate / 2.0
    means = (np.interp(high, ends, below) - np.interp(low, ends, below)) / (high - low)
    return float(np.sqrt(max(means[inside].max(), 1e-24)))


def _at_rate(taps: Float, rate: int, wanted: int) -> Float:
    """Resample a response so that convolution keeps its gain."""
    if rate == wanted:
        return taps
    padded = np.concatenate([taps, np.zeros(rate // 50)])
    made = soxr.resample(padded, rate, wanted, quality="VHQ")
    return np.asarray(made * (rate / wanted), dtype=np.float64)
