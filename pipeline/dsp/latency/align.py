"""DI and capture brought together clip by clip, whether the lag moves or not."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.latency.excess import RANGE_S, ExcessDelay, excess_delay
from pipeline.dsp.latency.far_jumps import track
from pipeline.dsp.latency.minimum_phase import (
    Band,
    Colour,
    measure_colour,
    usable_band,
)
from pipeline.dsp.latency.motion import (
    Motion,
    follow,
    is_calm,
    model_motion,
    refined,
    some_stray,
    still,
)
from pipeline.dsp.latency.reference import DiReference
from pipeline.dsp.latency.regression import FittedDelay, fit_delay
from pipeline.dsp.latency.results import CaptureSource, SecondPath
from pipeline.dsp.latency.second_path import part_paths, suspect_second_path
from pipeline.dsp.latency.spectra import ClipSpectra, clip_spectra
from pipeline.dsp.latency.verdict import clip_delays, explained_share

ROUNDS = 3
CLOSE_SHARE = 1.0 / 256.0
FAR_SHARE = 1.0 / 8.0
FOLLOW_BAND = Band(90.0, 4500.0)
STEP_LIMIT = 4.0
WIDE_RANGE_S = 0.03
EXPLAINS_ALIKE = 0.02
CONTRADICTION_S = 5.0 / 48000.0


@dataclass(frozen=True, slots=True)
class Aligned:
    """A capture read at its own lag, and what was found.

    Attributes
    ----------
    spectra : ClipSpectra
        Spectra of the clips, each at the lag of `motion`.
    colour : Colour
        Their colour.
    band : Band
        Usable band.
    motion : Motion
        Lag over time, without the excess delay that is left.
    varying : bool
        True if the lag wanders.
    excess : ExcessDelay
        Excess delay that is left, common to all clips.
    delays, agreements : NDArray[np.float64]
        Of each clip against the others, shape (clips,).
    explained : float
        Cross-validated explained share.
    fitted : FittedDelay or None
        Delay that is left by regression, which is used instead of `excess`
        where the two do not contradict each other.
    second : SecondPath or None
        A later path as loud as the direct one, whose delay this is, or louder.
    """

    spectra: ClipSpectra
    colour: Colour
    band: Band
    motion: Motion
    varying: bool
    excess: ExcessDelay
    delays: NDArray[np.float64]
    agreements: NDArray[np.float64]
    explained: float
    fitted: FittedDelay | None = None
    second: SecondPath | None = None

    @property
    def left_samples(self) -> float:
        """Delay that is left over the lag of `motion`."""
        return self.excess.delay_samples if self.fitted is None else self.fitted.samples

    @property
    def lag_samples(self) -> float:
        """Lag at the DI's frame 0, what is left included."""
        return self.motion.base_samples + self.left_samples


def _middles(spectra: ClipSpectra, clip: int) -> NDArray[np.float64]:
    """Middle of each clip in DI frames."""
    return np.asarray(spectra.start_frames + 0.5 * clip, dtype=np.float64)


def _read(
    reference: DiReference,
    capture: CaptureSource,
    source: NDArray[np.complex64],
    motion: Motion,
) -> ClipSpectra | None:
    """Spectra of the clips at the lags of a motion."""
    middles = np.asarray(reference.starts + 0.5 * reference.grid.clip, np.float64)
    return clip_spectra(
        reference, capture, source, motion.at(middles), slope=motion.slope
    )


def _near(
    reference: DiReference,
    capture: CaptureSource,
    source: NDArray[np.complex64],
    spectra: ClipSpectra,
) -> ClipSpectra:
    """Read the clips again where some lie too far from where they were read."""
    middle = np.full(reference.starts.size, np.median(spectra.lag_samples))
    lags = track(reference, capture, middle)
    if lags is None:
        return spectra
    taken = np.interp(reference.starts, spectra.start_frames, spectra.lag_samples)
    if np.abs(lags - taken).max() < FAR_SHARE * reference.grid.nfft:
        return spectra
    return clip_spectra(reference, capture, source, lags) or spectra


def _moved(
    reference: DiReference,
    capture: CaptureSource,
    source: NDArray[np.complex64],
    spectra: ClipSpectra,
) -> tuple[ClipSpectra, Motion, bool]:
    """Follow a moving lag, model it and read the clips again at the model."""
    rate, clip = reference.sample_rate_hz, reference.grid.clip
    spectra = _near(reference, capture, source, spectra)
    lags, agreements = follow(spectra, FOLLOW_BAND)
    lags += spectra.lag_samples[0]
    motion, varying = model_motion(_middles(spectra, clip), lags, agreements, rate)
    for _ in range(2):
        again = _read(reference, capture, source, motion)
        if again is None:
            break
        spectra = again
        band = usable_band(measure_colour(spectra)) or FOLLOW_BAND
        delays, agreements = clip_delays(spectra, band)
        if varying:
            break
        motion, varying = model_motion(
            _middles(spectra, clip), spectra.lag_samples + delays, agreements, rate
        )
    final = _read(reference, capture, source, motion)
    return final or spectra, motion, varying


def _believed(  # noqa: PLR0917 (one private caller)
    reference: DiReference,
    capture: CaptureSource,
    source: NDArray[np.complex64],
    spectra: ClipSpectra,
    motion: Motion,
) -> tuple[ClipSpectra, Motion, bool]:
    """Follow a moving lag, unless the capture is explained as well at rest."""
    # Strings share periods: clips of a steady riff can agree on a lag that is off by
    # some of them. What they agree on then explains less of the capture than the lag
    # at which it really is, and a step that explains nothing is none.
    moved, found, varying = _moved(reference, capture, source, spectra)
    if found.step_frames.size == 0:
        return moved, found, varying
    plateaus = found.base_samples + np.concatenate(
        [[0.0], np.cumsum(found.step_samples)]
    )
    resting = [(spectra, motion)]
    for lag in dict.fromkeys(np.rint(plateaus).tolist()):
        rest = still(lag)
        read = _read(reference, capture, source, rest)
        if read is not None:
            resting.append((read, rest))
    best, rest = max(resting, key=lambda pair: explained_share(pair[0]))
    if explained_share(best) >= explained_share(moved) - EXPLAINS_ALIKE:
        return best, rest, False
    return moved, found, varying


def align(
    reference: DiReference,
    capture: CaptureSource,
    source: NDArray[np.complex64],
    motion: Motion,
) -> Aligned | None:
    """Read a capture at its lag and measure what is left.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    capture : CaptureSource
        The capture.
    source : NDArray[np.complex64]
        Frames of the DI's clips, plain or behind a front end.
    motion : Motion
        The lag as far as it is known.

    Returns
    -------
    Aligned or None
        None if the capture holds no clip or nothing in it is coherent.
    """
    aligned, varying = None, False
    for turn in range(ROUNDS):
        spectra = _read(reference, capture, source, motion)
        if spectra is None:
            return None
        colour = measure_colour(spectra)
        band = usable_band(colour) or FOLLOW_BAND
        delays, agreements = clip_delays(spectra, band)
        middles = _middles(spectra, reference.grid.clip)
        calm = is_calm(middles, delays, agreements, reference.sample_rate_hz)
        if calm and turn == 0 and some_stray(agreements):
            calm = _near(reference, capture, source, spectra) is spectra
        if not calm and turn == 0:
            spectra, motion, varying = _believed(
                reference, capture, source, spectra, motion
            )
            colour = measure_colour(spectra)
            band = usable_band(colour) or FOLLOW_BAND
            delays, agreements = clip_delays(spectra, band)
        found = usable_band(colour)
        if found is None:
            return None
        # A lag that was followed is known up to a common constant only.
        reach = RANGE_S if calm else WIDE_RANGE_S
        excess = excess_delay(spectra, colour, found, reach)
        aligned = Aligned(
            spectra, colour, found, motion, varying, excess, delays, agreements, 0.0
        )
        if abs(excess.delay_samples) < reference.grid.nfft * CLOSE_SHARE:
            break
        shift = float(np.rint(excess.delay_samples))
        motion = replace(motion, base_samples=motion.base_samples + shift)
    if aligned is None:
        return None
    aligned = _refined(aligned, reference.grid.clip)
    parted = _parted(reference, capture, source, aligned)
    return parted or replace(
        aligned,
        explained=explained_share(aligned.spectra),
        fitted=_fitted(aligned.spectra, aligned.excess),
    )


def _refined(aligned: Aligned, clip: int) -> Aligned:
    """Refine a motion by what its clips, read at it, have left."""
    if not aligned.motion.moves:
        return aligned
    middles = _middles(aligned.spectra, clip)
    motion = refined(
        aligned.motion,
        middles,
        aligned.delays,
        aligned.agreements,
        sample_rate_hz=aligned.spectra.sample_rate_hz,
    )
    return replace(aligned, motion=motion)


def _parted(
    reference: DiReference,
    capture: CaptureSource,
    source: NDArray[np.complex64],
    aligned: Aligned,
) -> Aligned | None:
    """Move to the direct path where a later one is as loud or louder."""
    suspect = suspect_second_path(
        aligned.spectra, aligned.colour, aligned.band, aligned.excess
    )
    if suspect is None:
        return None
    base = aligned.motion.base_samples + float(np.rint(suspect.shift_samples))
    motion = replace(aligned.motion, base_samples=base)
    spectra = _read(reference, capture, source, motion)
    if spectra is None:
        return None
    parted = part_paths(spectra, suspect.path, aligned.excess.agreement)
    if parted is None:
        return None
    return replace(
        aligned,
        spectra=spectra,
        motion=motion,
        excess=parted.excess,
        explained=explained_share(spectra),
        fitted=_fitted(parted.spectra, parted.excess),
        second=parted.path,
    )


def _fitted(spectra: ClipSpectra, excess: ExcessDelay) -> FittedDelay | None:
    """Delay by regression, unless it ran away from the excess phase."""
    found = fit_delay(spectra, excess)
    far = CONTRADICTION_S * spectra.sample_rate_hz
    if found is None or abs(found.samples - excess.delay_samples) > far:
        return None
    return found


def residual_slope(aligned: Aligned, clip: int) -> float:
    """Slope that is left in the clips' delays, by weighted least squares.

    Parameters
    ----------
    aligned : Aligned
        An aligned capture.
    clip : int
        Clip length in samples.

    Returns
    -------
    float
        Samples of lag per sample of the DI; 0 with fewer than 4 clips, and where
        the motion has a slope or steps, which leave none.
    """
    if aligned.motion.moves:
        return 0.0
    near = np.abs(aligned.delays) < STEP_LIMIT
    if near.sum() < 4:
        return 0.0
    middles = _middles(aligned.spectra, clip)[near]
    weight = aligned.agreements[near] + 1e-9
    return float(np.polyfit(middles, aligned.delays[near], 1, w=weight)[0])
