"""What does this file hold: captures of the DI, something else, or nothing?

Looks at one file, channel by channel, against the DI. A unit of work: it can be sent
to any process.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.linearity import CrossSpectra, capture_spectra
from pipeline.dsp.residual import unexplained
from pipeline.errors import AudioError
from pipeline.files.audio import AudioInfo, probe, sha256_of
from pipeline.files.names import AUDIO_SUFFIXES
from pipeline.files.wave_chunks import read_bext
from pipeline.models.record import Finding, Latency
from pipeline.stages.cut import cut_to_di
from pipeline.stages.di import DiMaterial, DiSpec, load_di
from pipeline.stages.latency import locate
from pipeline.stages.read import (
    Source,
    SourceSpec,
    judge_source,
    open_source,
    refusal,
)

Kind = Literal["capture", "other", "di", "loopback", "unusable", "twin"]
MOST_CHANNELS = 64
HISS_WINDOW_S = 0.17
HISS_BAND_HZ = (300.0, 6000.0)
MOST_HISS_WINDOWS = 48
FLAT_HZ = (80.0, 10_000.0)
FLAT_BANDS = 12
FLAT_RANGE_DB = 1.5
FLAT_SHARE = 0.995
"""A cable is flat within 1.5 dB from 80 Hz to 10 kHz and leaves nothing unexplained; no
speaker is (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Look:
    """One channel of a file.

    Parameters
    ----------
    path : Path
        The file.
    channel : int
        Counted from 1.
    kind : str
        What it is: a capture, another sound, the DI itself, a loopback, unusable, or
        a twin of an earlier channel.
    latency : Latency or None
        Against the DI it was held to.
    findings : tuple of Finding
        What was found.
    hiss : ndarray of complex64, shape (windows, bins), or None
        Spectra of what the rig added in the DI's rests, on the DI's time.
    """

    path: Path
    channel: int
    kind: Kind
    latency: Latency | None
    findings: tuple[Finding, ...]
    hiss: NDArray[np.complex64] | None = None


@dataclass(frozen=True, slots=True)
class FileLook:
    """One file.

    Parameters
    ----------
    path : Path
        The file.
    info : AudioInfo or None
        None when it cannot be read.
    sha256 : str or None
        Of its bytes.
    recorded_s : float or None
        When it was recorded, in seconds since the epoch, by its broadcast extension.
    looks : tuple of Look
        One a channel.
    """

    path: Path
    info: AudioInfo | None
    sha256: str | None
    recorded_s: float | None
    looks: tuple[Look, ...]


@dataclass(frozen=True, slots=True)
class LookTask:
    """A file to look at.

    Parameters
    ----------
    di : DiSpec
        The DI.
    path : Path
        The file.
    """

    di: DiSpec
    path: Path


def audio_files(folder: Path) -> list[Path]:
    """List the audio files below a folder.

    Parameters
    ----------
    folder : Path
        Searched with its subfolders; hidden files and the folders of runs (those
        that hold a record) are passed over.

    Returns
    -------
    list of Path
        Sorted.
    """
    found = []
    for path in sorted(folder.rglob("*")):
        inner = path.relative_to(folder).parts
        if path.suffix.lower() not in AUDIO_SUFFIXES or not path.is_file():
            continue
        if any(part.startswith(".") for part in inner):
            continue
        if any((up / "record.json").exists() for up in _between(folder, path)):
            continue
        found.append(path)
    return found


def _between(folder: Path, path: Path) -> Sequence[Path]:
    return [up for up in path.parents if up.is_relative_to(folder)]


def look_at(task: LookTask) -> FileLook:
    """Look at every channel of a file.

    Parameters
    ----------
    task : LookTask
        What to look at, against which DI.

    Returns
    -------
    FileLook
        A file that cannot be read has one unusable channel that says why.
    """
    path = task.path
    try:
        info, sha256 = probe(path), sha256_of(path)
        looks = _channels(task, info)
    except AudioError as error:
        bad = Look(path, 1, "unusable", None, (refusal(error),))
        return FileLook(path, None, None, None, (bad,))
    return FileLook(path, info, sha256, _recorded(path), looks)


def _recorded(path: Path) -> float | None:
    bext = read_bext(path)
    if bext is None or not bext.origination_date or not bext.origination_time:
        return None
    digits = f"{bext.origination_date[:10]} {bext.origination_time[:8]}"
    text = "".join(c if c.isdigit() else " " for c in digits)
    try:
        moment = datetime(*(int(n) for n in text.split()), tzinfo=UTC)  # type: ignore[misc,arg-type] # six numbers, or a TypeError
    except (TypeError, ValueError):
        return None
    return moment.timestamp()


def _channels(task: LookTask, info: AudioInfo) -> tuple[Look, ...]:
    material = load_di(task.di)
    looks: list[Look] = []
    heard: dict[int, NDArray[np.float32]] = {}
    for channel in range(1, min(info.channels, MOST_CHANNELS) + 1):
        spec = SourceSpec(task.path, channel, task.di.sample_rate_hz)
        with open_source(spec) as source:
            # Held once: every later step reads the same samples.
            source.keep(max(source.frames, 1))
            samples = source.read(0, source.frames)
            twin = _twin(samples, heard)
            heard[channel] = samples
            looks.append(
                twin_look(task.path, channel, twin)
                if twin is not None
                else _look(task, material, source, channel)
            )
    return tuple(looks)


def _twin(
    samples: NDArray[np.float32], heard: dict[int, NDArray[np.float32]]
) -> int | None:
    for channel, other in heard.items():
        if samples.any() and np.array_equal(samples, other):
            return channel
    return None


def twin_look(path: Path, channel: int, twin: int) -> Look:
    """Describe a channel that holds the very samples of another.

    Parameters
    ----------
    path : Path
        The file.
    channel : int
        Counted from 1.
    twin : int
        The earlier channel.

    Returns
    -------
    Look
        Of the kind "twin".
    """
    finding = Finding(
        code="duplicate",
        severity="note",
        message=f"Channel {channel} holds the same samples as channel {twin}.",
        fix="Record one microphone as a mono file.",
    )
    return Look(path, channel, "twin", None, (finding,))


def _look(task: LookTask, material: DiMaterial, source: Source, channel: int) -> Look:
    source.scan()
    findings = judge_source(source)
    if any(finding.severity == "reject" for finding in findings):
        return Look(task.path, channel, "unusable", None, findings)
    located = locate(material.reference, source)
    findings = (*findings, *located.findings)
    if any(finding.severity == "reject" for finding in located.findings):
        return Look(task.path, channel, "other", located.latency, findings)
    kind = _kind(task.di, material, source, located.latency)
    hiss = _hiss(material, source, located.latency) if kind == "capture" else None
    return Look(task.path, channel, kind, located.latency, findings, hiss)


def _kind(di: DiSpec, material: DiMaterial, source: Source, latency: Latency) -> Kind:
    """Tell a capture from the DI itself and from the DI through a cable."""
    samples = cut_to_di(
        source,
        latency.samples,
        frames=di.frames,
        sample_rate_hz=di.sample_rate_hz,
    )
    cross = capture_spectra(material.spectra, samples, material.activity)
    if cross is None or not _flat(cross):
        return "capture"
    lag = round(latency.samples)
    exact = any(
        np.array_equal(source.read(lag + step, di.frames), material.samples)
        for step in (-2, -1, 0, 1, 2)
    )
    return "di" if exact else "loopback"


def _flat(cross: CrossSpectra) -> bool:
    """Whether one gain explains all, as no speaker would let it."""
    edges = np.geomspace(*FLAT_HZ, FLAT_BANDS + 1)
    places = np.searchsorted(cross.freq_hz, edges)
    shared, dry = (
        np.add.reduceat(power, places)[:-1]
        for power in (np.abs(cross.s_dx), cross.s_dd)
    )
    inside = slice(places[0], places[-1])
    explained = np.abs(cross.s_dx[inside]) ** 2 / np.maximum(cross.s_dd[inside], 1e-30)
    share = float(explained.sum() / max(float(cross.s_xx[inside].sum()), 1e-30))
    gains_db = 20.0 * np.log10(np.maximum(shared, 1e-30) / np.maximum(dry, 1e-30))
    return share >= FLAT_SHARE and float(np.ptp(gains_db)) <= FLAT_RANGE_DB


def _hiss(
    material: DiMaterial, source: Source, latency: Latency
) -> NDArray[np.complex64] | None:
    """Spectra of what the rig added where the DI rests, windows on the DI's time."""
    rate = source.sample_rate_hz
    size = int(2 ** round(np.log2(HISS_WINDOW_S * rate)))
    quiet = material.quiet_samples()
    counts = np.concatenate([[0], np.cumsum(quiet)])
    starts = np.arange(0, len(quiet) - size, size // 2)
    whole = counts[starts + size] - counts[starts] == size
    starts = starts[whole][:MOST_HISS_WINDOWS]
    if not len(starts):
        return None
    lag = round(latency.samples)
    window = np.hanning(size)
    heard = np.fft.rfft([window * source.read(int(s) + lag, size) for s in starts])
    dry = np.fft.rfft([window * material.samples[s : s + size] for s in starts])
    freq = np.fft.rfftfreq(size, 1.0 / rate)
    inside = (freq >= HISS_BAND_HZ[0]) & (freq <= HISS_BAND_HZ[1])
    # The DI's own noise comes again in every pass: it would marry all of them.
    return unexplained(heard[:, inside], dry[:, inside]).astype(np.complex64)
