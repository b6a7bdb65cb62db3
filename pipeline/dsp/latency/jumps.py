"""When exactly the capture lost or gained samples.

Around a step the capture is predicted from the DI at the lag before and at the
lag after, and, where samples were gained, as silence: what was put in need not
be a repetition. Up to the jump the first prediction errs least, after it the
second. Each place is weighed by the errors that a jump there would leave, in
units of what no prediction explains nearby. Where nobody plays all predictions
are alike, and so are all places of the rest: the stated range is as long.

Source: D. V. Hinkley, "Inference about the change-point in a sequence of random
variables", Biometrika 57, 1970; the prior is flat.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.cepstrum import minimum_phase_of
from pipeline.dsp.latency.align import Aligned
from pipeline.dsp.latency.front_end import driven_stretch
from pipeline.dsp.latency.motion import RELIABLE, STEP_S
from pipeline.dsp.latency.reference import DiReference
from pipeline.dsp.latency.repeats import find_repeat
from pipeline.dsp.latency.results import CaptureSource, FrontEnd, Jump
from pipeline.dsp.latency.spectra import debiased_coherence

# Low notes say little about when, and whitening them rings.
SHARP_HZ = 300.0
FADE_OCTAVES = 0.3
FINER = 4
SHORT_S = 0.002
NOISE_S = 0.05
LEAST_NOISE = 1e-3
# Neighbouring errors are not as independent as their bandwidth suggests.
TEMPERATURE = 3.0
CONVINCING = 10.0
TAIL = 0.025
LEAST_GAIN = 1e-4
SPARE_RANGE_S = 0.002

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Way:
    """The way from DI to capture, and what flattens the errors behind it.

    No filter begins before its time: it would tell of a note ahead of it.

    Attributes
    ----------
    front_end : FrontEnd or None
        What the DI passes through first.
    whitening, whole : Float
        Impulse responses, shape (nfft,): of what flattens errors, and of that
        behind the linear part of the way.
    delay : float
        Samples that `whole` is short of, over the lag of the motion.
    share : float
        Independent errors a sample: the bandwidth over half the rate.
    """

    front_end: FrontEnd | None
    whitening: Float
    whole: Float
    delay: float
    share: float


@dataclass(frozen=True, slots=True)
class _Step:
    """A step of the lag: where it may lie, and the lag before it.

    Attributes
    ----------
    first, last : int
        DI frames that it lies between.
    frame, lag, slope : float
        Lag at a DI frame as if there were no step, and its slope.
    size : float
        What the lag steps by, in samples.
    """

    first: int
    last: int
    frame: float
    lag: float
    slope: float
    size: float


def _third_octaves(values: Float) -> Float:
    """Average equidistant frequencies over a third of an octave each."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    edges = np.arange(values.size + 1)
    low = edges[:-1] * 2.0 ** (-1.0 / 6.0)
    high = np.minimum(edges[:-1] * 2.0 ** (1.0 / 6.0) + 1.0, values.size)
    sums = np.interp(high, edges, total) - np.interp(low, edges, total)
    return np.asarray(sums / (high - low))


def _causal(gain: Float, nfft: int) -> NDArray[np.complex128]:
    """Response of minimum phase with this gain."""
    size = np.full(nfft // 2 + 1, LEAST_GAIN * gain.max())
    size[: gain.size] = np.maximum(gain, size[0])
    return np.asarray(size * np.exp(1j * minimum_phase_of(np.log(size))))


def _way(aligned: Aligned, front_end: FrontEnd | None) -> _Way:
    """Measure the way that an aligned capture has taken."""
    spectra, band, nfft = aligned.spectra, aligned.band, aligned.spectra.nfft
    power = spectra.power_di.sum(axis=0, dtype=np.float64)
    theirs = spectra.power_capture.sum(axis=0, dtype=np.float64)
    cross = spectra.cross.sum(axis=0, dtype=np.complex128)
    coherence = debiased_coherence(power, theirs, cross, spectra.frames)
    noise = theirs * (1.0 - coherence) + 1e-9 * theirs.max() + 1e-30
    pitch = np.log2(np.maximum(spectra.freq_hz, 1.0))
    above = 1.0 + pitch - np.log2(max(band.low_hz, SHARP_HZ))
    below = (np.log2(band.high_hz) - pitch) / FADE_OCTAVES
    inside = np.clip(np.minimum(above, below), 0.0, 1.0)
    gain = inside * _third_octaves(coherence) / np.sqrt(_third_octaves(noise))
    white = _causal(gain, nfft)
    # Frames end, so that some of a response comes ahead of its onset.
    delay = aligned.left_samples - int(SHORT_S * spectra.sample_rate_hz)
    turn = np.exp(2j * np.pi * spectra.freq_hz * delay / spectra.sample_rate_hz)
    response = np.zeros(nfft // 2 + 1, np.complex128)
    response[: cross.size] = cross / (power + 1e-30) * turn
    whole = np.fft.irfft(response * white, nfft)
    whole[nfft // 2 :] = 0.0
    square = gain**2
    share = float(square.sum() ** 2 / (square**2).sum() / (nfft // 2))
    return _Way(front_end, np.fft.irfft(white, nfft), whole, delay, share)


def _step(aligned: Aligned, clip: int, frame: float, size: float) -> _Step | None:
    """Find the clips that a step of the motion lies between; None without two."""
    spectra, motion = aligned.spectra, aligned.motion
    middles = spectra.start_frames + 0.5 * clip
    good = aligned.agreements >= RELIABLE * np.median(aligned.agreements)
    good &= np.abs(aligned.delays) < STEP_S * spectra.sample_rate_hz
    others = motion.step_frames
    since = others[others < frame].max(initial=-np.inf)
    until = others[others > frame].min(initial=np.inf)
    before = np.flatnonzero((middles > since) & (middles <= frame))
    after = np.flatnonzero((middles > frame) & (middles <= until))
    if not before.size or not after.size:
        # A clip that the motion was seen in may lie outside the capture at its lag.
        return None
    first = spectra.start_frames[before[good[before]].max(initial=before[0])]
    last = spectra.start_frames[after[good[after]].min(initial=after[-1])] + clip
    lag = float(motion.at(np.array([frame]))[0]) - size
    return _Step(int(first), int(last), frame, lag, motion.slope, size)


def _filtered(sound: NDArray[np.floating], pulse: Float, finer: int = 1) -> Float:
    """Filter a stretch, circularly, and raise its rate."""
    spectrum = scipy.fft.rfft(sound) * scipy.fft.rfft(pulse, sound.size)
    filtered: Float = scipy.fft.irfft(spectrum, finer * sound.size)
    return finer * filtered


def _errors(
    reference: DiReference, capture: CaptureSource, way: _Way, step: _Step
) -> tuple[int, Float]:
    """First capture frame and squared errors: before, after, and of silence."""
    spare, whole = 2 * reference.grid.nfft, int(np.floor(step.lag))
    reach = int(np.ceil(abs(step.size)))
    first = step.first + whole - (reach if step.size < 0.0 else 0)
    count = step.last - step.first + reach
    length = 2 * scipy.fft.next_fast_len(count // 2 + 2 * spare, real=True)
    sound = capture.read(first - spare, length)
    theirs = _filtered(sound, way.whitening)[spare : spare + count]
    since = first - whole - spare
    wave = driven_stretch(reference, way.front_end, since, length)
    fine = _filtered(wave, way.whole, FINER)
    places = first + np.arange(count)
    # Slopes are so small that the lag at a capture frame is as good as at the DI's.
    lag = step.lag + step.slope * (places - whole - step.frame) + way.delay
    points = np.arange(fine.size)
    errors = [
        theirs - np.interp(FINER * (places - late - since), points, fine)
        for late in (lag, lag + step.size)
    ]
    return first, np.square(np.stack([*errors, theirs]))


def _running_mean(values: Float, width: int) -> Float:
    """Average the neighbourhood, which is shorter at the ends."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    places = np.arange(values.size)
    first = np.maximum(places - width // 2, 0)
    last = np.minimum(places + width // 2 + 1, values.size)
    return np.asarray((total[last] - total[first]) / (last - first))


def _costs(errors: Float, size: float, rate: int) -> Float:
    """Squared errors that a jump at each place leaves, in units of the local noise."""
    short = [_running_mean(row, int(SHORT_S * rate)) for row in errors]
    least = _running_mean(np.min(short, axis=0), int(NOISE_S * rate))
    least += LEAST_NOISE * least.mean() + 1e-30
    zero = np.zeros((errors.shape[0], 1))
    before, after, silence = np.hstack([zero, np.cumsum(errors / least, axis=1)])
    cost = before + after[-1] - after
    if (put_in := round(size)) > 0:
        apart = before[:-put_in] + silence[put_in:] - silence[:-put_in]
        apart += after[-1] - after[put_in:]
        cost[:-put_in] = np.minimum(cost[:-put_in], apart)
    return np.asarray(cost - cost.min())


def _placed(
    reference: DiReference, capture: CaptureSource, way: _Way, step: _Step
) -> Jump | None:
    """Place one step; None if the two predictions do not take turns."""
    rate, size = reference.sample_rate_hz, step.size
    first, errors = _errors(reference, capture, way, step)
    score = -0.5 * way.share / TEMPERATURE * _costs(errors, size, rate)
    if max(score[0], score[-1]) > -CONVINCING:
        return None
    share = np.cumsum(np.exp(score))
    ranks = np.searchsorted(share / share[-1], (TAIL, 0.5, 1.0 - TAIL))
    low, middle, high = (first + ranks).tolist()
    if (count := round(size)) > 0:
        spare = high - low + int(NOISE_S * rate)
        begin = max(low - spare, first)
        frames = min(high + spare, first + score.size) - begin
        repeat = find_repeat(capture.read(begin - count, frames + 3 * count), count)
        if repeat is not None:
            low = middle = high = begin + repeat
    # What was lost lies ahead of the place, what was put in behind it.
    place = middle - step.lag - min(size, 0.0)
    place -= step.slope * (place - step.frame)
    width = max(middle - low, high - middle) / rate
    return Jump(float(place / rate), size, float(width) + SPARE_RANGE_S)


def find_jumps(
    reference: DiReference,
    capture: CaptureSource,
    aligned: Aligned,
    front_end: FrontEnd | None,
) -> tuple[Jump, ...]:
    """Place each step of an aligned capture's motion.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    capture : CaptureSource
        The capture.
    aligned : Aligned
        The capture, aligned by a motion with steps.
    front_end : FrontEnd or None
        The front end of `aligned`.

    Returns
    -------
    tuple[Jump, ...]
        In time order. A step that neither prediction confirms is left out.
    """
    motion = aligned.motion
    if not motion.step_frames.size:
        return ()
    way = _way(aligned, front_end)
    steps = [
        _step(aligned, reference.grid.clip, float(frame), float(size))
        for frame, size in zip(motion.step_frames, motion.step_samples, strict=True)
    ]
    placed = [_placed(reference, capture, way, step) for step in steps if step]
    return tuple(jump for jump in placed if jump is not None)
