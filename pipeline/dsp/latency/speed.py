"""Whether a capture plays its DI at another speed: a sample-rate mix-up.

A file recorded at 48 kHz and labelled 44.1 kHz plays 8.1 per cent slow. Only
the handful of ratios between common rates can occur, so each is tried: a few
seconds of the DI are stretched by it and looked for in the capture.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.latency.coarse import search
from pipeline.dsp.latency.reference import DiReference, decimate, whiten
from pipeline.dsp.latency.results import CaptureSource

# Speed of the capture over the DI's as fractions of common rates: 48 / 44.1,
# and the same an octave up or down, and whole octaves.
RATIOS = (
    (160, 147),
    (147, 160),
    (320, 147),
    (147, 320),
    (80, 147),
    (147, 80),
    (2, 1),
    (1, 2),
    (3, 2),
    (2, 3),
)
SECTION_S = 8.0
CLEARLY = 1.5
ABOVE_BACKGROUND = 12.0


@dataclass(frozen=True, slots=True)
class _Section:
    """A lively stretch of the decimated DI and where it starts."""

    low: NDArray[np.float32]
    first: int


def _lively(reference: DiReference) -> _Section:
    """Find the stretch of the DI with most going on."""
    rate = reference.sample_rate_hz / reference.decimation
    low = decimate(reference.di, reference.decimation)
    span = min(int(SECTION_S * rate), low.size)
    gain = np.cumsum(np.abs(low) ** 0.5, dtype=np.float64)
    rise = gain[span - 1 :] - np.concatenate(([0.0], gain[: gain.size - span]))
    first = int(np.argmax(rise))
    return _Section(low[first : first + span], first)


def _template(
    reference: DiReference, section: _Section, ratio: tuple[int, int]
) -> NDArray[np.complex64]:
    """Conjugate flattened spectrum of the section, played at a speed."""
    fast, slow = ratio
    played = scipy.signal.resample_poly(section.low, slow, fast)
    rate = reference.sample_rate_hz / reference.decimation
    spectrum = scipy.fft.rfft(
        played.astype(np.float32)[: reference.coarse_frames], reference.coarse_nfft
    )
    return whiten(spectrum, rate, reference.coarse_nfft).conj()


def speed_ratio(reference: DiReference, capture: CaptureSource) -> float | None:
    """Recognise a capture that plays the DI at another speed.

    Meant for captures that `estimate_latency` calls "other".

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    capture : CaptureSource
        The capture, at the rate its file states, taken to the DI's rate.

    Returns
    -------
    float or None
        Speed of the capture over the DI's, for example 1.0884 for 44.1 kHz
        played as 48 kHz; None if no mix-up of common rates is recognised.
    """
    section = _lively(reference)
    tried = ((1, 1), *RATIOS)
    templates = tuple(_template(reference, section, ratio) for ratio in tried)
    found = search(reference, capture, templates)
    strengths = np.array(
        [
            one.arrivals[0].strength / one.background if one.arrivals else 0.0
            for one in found
        ]
    )
    best = int(np.argmax(strengths))
    others = np.delete(strengths, best)
    if best == 0 or strengths[best] < ABOVE_BACKGROUND:
        return None
    if strengths[best] < CLEARLY * float(others.max()):
        return None
    fast, slow = tried[best]
    return fast / slow
