"""What does an aligned capture sound like, in figures?

Measures the samples before any gain, once. A static gain moves every level by itself,
so another target needs no audio: `finish` does that.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from pydantic import ConfigDict

from pipeline.dsp import dynamics, tone
from pipeline.dsp.activity import Activity, frame_power
from pipeline.dsp.linearity import (
    CrossSpectra,
    capture_spectra,
    coherence_curve,
    di_average,
    linear_share,
)
from pipeline.dsp.loudness import Loudness, LoudnessCells, loudness_cells
from pipeline.dsp.noise import find_hum, hum_db, noise_dbfs
from pipeline.dsp.spectrum import (
    erb_band_levels,
    smoothed_spectrum,
    third_octave_levels,
)
from pipeline.dsp.true_peak import find_true_peak, true_peak
from pipeline.models.record import (
    Curves,
    DiResult,
    LoudnessResult,
    LoudnessTarget,
)
from pipeline.stages.axes import on_axis, third_octave_axis
from pipeline.stages.di import DiMaterial, DiSpec
from pipeline.units import amplitude_from_db, db_from_amplitude, db_from_power

Samples = NDArray[np.float32]
ENVELOPE_POINTS = 400
RESPONSE_HZ = (150.0, 6000.0)
_LEVEL_KEYS = ("noise_dbfs",)
"""Metrics that a gain moves; all others are ratios."""


@dataclass(frozen=True)
class Measured:
    """Measures of one aligned capture, before any gain.

    Parameters
    ----------
    cell_power : bytes
        K-weighted power of cells of 10 ms, little-endian float64.
    true_peak_dbtp : float
        Maximum true peak.
    metrics : dict of str to float or None
        By the keys of the metrics table.
    curves : Curves or None
        Plot series; None where too little plays to average.
    music_dbfs : float
        Level while the DI plays.
    hum_hz : int or None
        Mains frequency of the hum that was found.
    response_db : bytes
        Level of the linear response to the DI, 150 Hz to 6 kHz, bin by bin of the
        analysis window: little-endian float32. Empty where there are no curves.
    """

    __pydantic_config__ = ConfigDict(ser_json_bytes="base64", val_json_bytes="base64")

    cell_power: bytes
    true_peak_dbtp: float
    metrics: dict[str, float | None]
    curves: Curves | None
    music_dbfs: float
    hum_hz: int | None
    response_db: bytes

    @property
    def cells(self) -> LoudnessCells:
        """Loudness after any gain follows from these."""
        return LoudnessCells(np.frombuffer(self.cell_power, dtype="<f8"))

    @cached_property
    def loudness(self) -> Loudness:
        """Loudness before any gain; asked for often and computed once."""
        return self.cells.loudness()

    @property
    def measurable(self) -> bool:
        """Whether enough of it overlaps the DI's playing."""
        return self.curves is not None and self.loudness.integrated_lufs is not None


@dataclass(frozen=True, slots=True)
class Finished:
    """Measures of one capture after its gain.

    Parameters
    ----------
    loudness : LoudnessResult
        Before and after.
    metrics : dict of str to float or None
        After gain.
    curves : Curves or None
        After gain.
    """

    loudness: LoudnessResult
    metrics: dict[str, float | None]
    curves: Curves | None


def narrowed(
    material: DiMaterial, sample_rate_hz: int, held: tuple[int, int]
) -> Activity:
    """Activity of the DI where a capture has samples of its own.

    Parameters
    ----------
    material : DiMaterial
        The DI.
    sample_rate_hz : int
        Its rate.
    held : tuple of int
        First frame that the capture holds, and the one after its last.

    Returns
    -------
    Activity
        Frames outside are neither playing nor silent.
    """
    first, last = held
    if first == 0 and last == len(material.samples):
        return material.activity
    return material.activity.within(first / sample_rate_hz, last / sample_rate_hz)


@dataclass(frozen=True, slots=True)
class Observed:
    """What measures and faults are both taken from.

    Parameters
    ----------
    held : tuple of int
        First frame that the capture holds, and the one after its last.
    activity : Activity
        Of the DI, where the capture has samples of its own.
    power : ndarray of float64
        The capture's level in frames of 50 ms.
    spectra : CrossSpectra or None
        Against the DI; None where too little plays.
    """

    held: tuple[int, int]
    activity: Activity
    power: NDArray[np.float64]
    spectra: CrossSpectra | None


def observe(
    material: DiMaterial,
    samples: Samples,
    sample_rate_hz: int,
    *,
    held: tuple[int, int],
) -> Observed:
    """Take a capture's levels and spectra, once for all that need them.

    Parameters
    ----------
    material : DiMaterial
        The DI.
    samples : ndarray of float32, shape (frames,)
        The aligned capture, before gain.
    sample_rate_hz : int
        Rate of both.
    held : tuple of int
        First frame that the capture holds, and the one after its last.

    Returns
    -------
    Observed
        For `measure` and for the judgement of faults.
    """
    activity = narrowed(material, sample_rate_hz, held)
    spectra = capture_spectra(material.spectra, samples, activity)
    return Observed(held, activity, frame_power(samples, sample_rate_hz), spectra)


def measure(
    material: DiMaterial, samples: Samples, sample_rate_hz: int, observed: Observed
) -> Measured:
    """Measure a capture on the DI's time.

    Parameters
    ----------
    material : DiMaterial
        The DI.
    samples : ndarray of float32, shape (frames,)
        The aligned capture, before gain.
    sample_rate_hz : int
        Rate of both.
    observed : Observed
        Its levels and spectra.

    Returns
    -------
    Measured
        Everything that the record says of its sound.
    """
    activity, power, spectra = observed.activity, observed.power, observed.spectra
    cells = loudness_cells(samples, sample_rate_hz)
    peak = find_true_peak(samples, sample_rate_hz)
    levels = dynamics.level_curve(material.power, power, activity)
    loudness = cells.loudness()
    mean_square = dynamics.active_mean_square(power, activity)
    metrics: dict[str, float | None] = {
        "crest_db": dynamics.crest_db(peak.sample_amplitude, mean_square),
        "plr_db": dynamics.plr_db(peak.amplitude, loudness.integrated_lufs),
        "lra_lu": loudness.lra_lu,
        "noise_dbfs": noise_dbfs(power, activity),
        "compression_db_per_db": dynamics.compression_db_per_db(levels),
        "hold_db": dynamics.hold_db(material.power, power, activity),
    }
    curves, hum = None, None
    if spectra is not None:
        hum = find_hum(spectra.noise)
        metrics |= _tone(spectra) | {"hum_db": hum_db(hum, mean_square)}
        curves = _curves(spectra, levels, samples, sample_rate_hz)
    return Measured(
        cell_power=cells.power.astype("<f8").tobytes(),
        true_peak_dbtp=db_from_amplitude(peak.amplitude),
        metrics=metrics,
        curves=curves,
        music_dbfs=db_from_power(mean_square),
        hum_hz=hum.base_hz if hum else None,
        response_db=_response(spectra) if spectra else b"",
    )


def measure_di(material: DiMaterial, spec: DiSpec, sha256: str) -> DiResult:
    """Measure the DI itself.

    Parameters
    ----------
    material : DiMaterial
        The DI.
    spec : DiSpec
        Its rate and length.
    sha256 : str
        Of its file.

    Returns
    -------
    DiResult
        With the file's name as it lies on the disk.
    """
    rate = spec.sample_rate_hz
    playing = di_average(material.spectra)
    axis = third_octave_axis(rate)
    levels = third_octave_levels(playing)[: len(axis)] if playing else np.zeros(0)
    return DiResult(
        file=spec.path.name,
        sha256=sha256,
        sample_rate_hz=rate,
        frames=spec.frames,
        channel=spec.channel,
        start_frame=spec.start,
        lufs=loudness_cells(material.samples, rate).loudness().integrated_lufs,
        true_peak_dbtp=db_from_amplitude(true_peak(material.samples, rate)),
        third_octave_db=_rounded(levels),
        envelope=envelope(material.samples),
    )


def _tone(spectra: CrossSpectra) -> dict[str, float | None]:
    capture, noise = spectra.capture, spectra.noise
    return {
        "brightness_hz": tone.brightness_hz(capture, noise),
        "tilt_db_per_octave": tone.tilt_db_per_octave(capture, noise),
        "body_db": tone.body_db(capture, noise),
        "mud_db": tone.mud_db(capture, noise),
        "presence_db": tone.presence_db(capture, noise),
        "fizz_db": tone.fizz_db(capture, noise),
        "linear_share": linear_share(spectra),
    }


def response_bins(freq_hz: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Choose the bins in which a reflection's comb is looked for.

    Parameters
    ----------
    freq_hz : ndarray, shape (bins,)
        Frequencies of the analysis window.

    Returns
    -------
    ndarray of bool, shape (bins,)
        150 Hz to 6 kHz.
    """
    return np.asarray((freq_hz >= RESPONSE_HZ[0]) & (freq_hz <= RESPONSE_HZ[1]))


def _response(spectra: CrossSpectra) -> bytes:
    chosen = response_bins(spectra.freq_hz)
    power = np.maximum(spectra.s_dd[chosen], 1e-30)
    gain = np.maximum(np.abs(spectra.s_dx[chosen]) / power, 1e-15)
    return (20.0 * np.log10(gain)).astype("<f4").tobytes()


def _rounded(values: NDArray[np.float64], digits: int = 2) -> tuple[float, ...]:
    return tuple(np.round(values, digits).tolist())


def _curves(
    spectra: CrossSpectra,
    levels: dynamics.LevelCurve | None,
    samples: Samples,
    sample_rate_hz: int,
) -> Curves:
    capture = spectra.capture
    axis = third_octave_axis(sample_rate_hz)
    points = zip(levels.di_db, levels.capture_db, strict=True) if levels else ()
    return Curves(
        third_octave_db=_rounded(third_octave_levels(capture)[: len(axis)]),
        erb_db=_rounded(erb_band_levels(capture, spectra.noise)),
        smooth_db=_rounded(smoothed_spectrum(capture)[1]),
        coherence=_rounded(on_axis(axis, *coherence_curve(spectra)), 3),
        levels=tuple((round(float(x), 2), round(float(y), 2)) for x, y in points),
        envelope=envelope(samples),
    )


def envelope(samples: Samples) -> tuple[float, ...]:
    """Peak amplitude of equal slices of a file, for a picture of its course.

    Parameters
    ----------
    samples : ndarray of float32, shape (frames,)
        Full scale 1.0.

    Returns
    -------
    tuple of float
        At most 400 peaks, 0 to 1 and more.
    """
    size = -(-len(samples) // ENVELOPE_POINTS)
    whole = len(samples) // size * size
    slices = samples[:whole].reshape(-1, size)
    peaks = np.maximum(slices.max(axis=1), -slices.min(axis=1))
    return _rounded(peaks.astype(np.float64), 4)


def finish(
    measured: Measured, target: LoudnessTarget, trim_db: float = 0.0
) -> Finished | None:
    """Bring a capture's measures to the session's level.

    Parameters
    ----------
    measured : Measured
        Before gain.
    target : LoudnessTarget
        The level of the session.
    trim_db : float
        What a listener added by ear, in dB.

    Returns
    -------
    Finished or None
        After the one static gain; None where the loudness is undefined.
    """
    cells = measured.cells
    gain = cells.gain_to(target.effective_target_lufs)
    if gain is None:
        return None
    gain += trim_db
    after = cells.loudness(gain)
    loudness = LoudnessResult(
        source_lufs=measured.loudness.integrated_lufs,
        gain_db=gain,
        trim_db=trim_db,
        lufs=after.integrated_lufs,
        lra_lu=after.lra_lu,
        max_momentary_lufs=after.max_momentary_lufs,
        max_short_term_lufs=after.max_short_term_lufs,
        true_peak_dbtp=measured.true_peak_dbtp + gain,
    )
    metrics = dict(measured.metrics)
    for key in _LEVEL_KEYS:
        value = metrics.get(key)
        metrics[key] = None if value is None else value + gain
    return Finished(loudness, metrics, _moved(measured.curves, gain))


def _moved(curves: Curves | None, gain: float) -> Curves | None:
    if curves is None:
        return None

    def up(values: tuple[float, ...]) -> tuple[float, ...]:
        return tuple(round(value + gain, 2) for value in values)

    factor = amplitude_from_db(gain)
    return Curves(
        third_octave_db=up(curves.third_octave_db),
        erb_db=up(curves.erb_db),
        smooth_db=up(curves.smooth_db),
        coherence=curves.coherence,
        levels=tuple((x, round(y + gain, 2)) for x, y in curves.levels),
        envelope=tuple(round(peak * factor, 4) for peak in curves.envelope),
    )
