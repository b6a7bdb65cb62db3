"""When exactly the capture lost or repeated samples.

Between two clips whose lags differ, the capture is predicted from the DI twice,
at the lag before and at the lag after. The jump is where one prediction stops
being better and the other starts: the minimum of the cumulative difference of
their squared errors, each whitened by what no prediction explains.
"""

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from pipeline.dsp.latency.align import Aligned
from pipeline.dsp.latency.front_end import driven_stretch
from pipeline.dsp.latency.reference import DiReference
from pipeline.dsp.latency.results import CaptureSource, FrontEnd, Jump
from pipeline.dsp.latency.spectra import debiased_coherence

CONVINCING = 0.002


def _predictor(
    aligned: Aligned, freq_hz: NDArray[np.float64]
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Response from DI to capture and whitening gain, at some frequencies."""
    spectra = aligned.spectra
    power = spectra.power_di.sum(axis=0, dtype=np.float64)
    theirs = spectra.power_capture.sum(axis=0, dtype=np.float64)
    cross = spectra.cross.sum(axis=0, dtype=np.complex128)
    coherence = debiased_coherence(power, theirs, cross, spectra.frames)
    response = cross / (power + 1e-30)
    noise = theirs * (1.0 - coherence) + 1e-9 * theirs.max() + 1e-30
    inside = spectra.freq_hz >= aligned.band.low_hz
    inside &= spectra.freq_hz <= aligned.band.high_hz
    gain = inside * coherence / np.sqrt(noise)
    there = spectra.freq_hz
    real = np.interp(freq_hz, there, response.real)
    imaginary = np.interp(freq_hz, there, response.imag)
    return real + 1j * imaginary, np.interp(freq_hz, there, gain, right=0.0)


def _errors(
    capture: CaptureSource,
    predicted: NDArray[np.complex128],
    whitening: NDArray[np.float64],
    at: tuple[int, float, int],
) -> NDArray[np.float64]:
    """Squared whitened errors at one lag; `at` is (DI frame, lag, length)."""
    start, lag, length = at
    whole = int(np.floor(lag))
    piece = capture.read(start + whole, length).astype(np.float64)
    turn = np.exp(-2j * np.pi * np.arange(predicted.size) / length * (lag - whole))
    rest = scipy.fft.rfft(piece) * whitening - predicted * turn
    error: NDArray[np.float64] = scipy.fft.irfft(rest, length) ** 2
    return error


def _placed(
    reference: DiReference,
    capture: CaptureSource,
    aligned: Aligned,
    front_end: FrontEnd | None,
    *,
    step: float,
    size: float,
) -> Jump | None:
    """Place one step; None if the two predictions do not take turns."""
    starts, clip = aligned.spectra.start_frames, reference.grid.clip
    before = starts[starts + clip / 2 <= step]
    after = starts[starts + clip / 2 > step]
    if not before.size or not after.size:
        # A clip that the motion was seen in may lie outside the capture at its lag.
        return None
    first, last = int(before[-1]), int(after[0]) + clip
    length = scipy.fft.next_fast_len(last - first, real=True)
    freq = np.linspace(0.0, length // 2, length // 2 + 1)
    response, whitening = _predictor(aligned, freq * reference.sample_rate_hz / length)
    wave = driven_stretch(reference, front_end, first, length)
    predicted = scipy.fft.rfft(wave) * response * whitening
    lag = float(aligned.motion.at(np.array([step - 1.0]))[0])
    early = _errors(capture, predicted, whitening, (first, lag, length))
    late = _errors(capture, predicted, whitening, (first, lag + size, length))
    gain = np.cumsum(early - late)[: last - first]
    at = int(np.argmin(gain))
    floor = CONVINCING * float(np.minimum(early, late).sum())
    if -gain[at] <= floor or gain[-1] - gain[at] <= floor:
        return None
    return Jump(float((first + at) / reference.sample_rate_hz), size)


def find_jumps(
    reference: DiReference,
    capture: CaptureSource,
    aligned: Aligned,
    front_end: FrontEnd | None,
) -> tuple[Jump, ...]:
    """Place each step of an aligned capture's motion to a few milliseconds.

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
    steps = zip(motion.step_frames, motion.step_samples, strict=True)
    placed = [
        _placed(
            reference, capture, aligned, front_end, step=float(step), size=float(size)
        )
        for step, size in steps
    ]
    return tuple(jump for jump in placed if jump is not None)
