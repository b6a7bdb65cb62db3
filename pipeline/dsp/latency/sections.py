"""Where the DI starts when its lag moves too far for one correlation.

A drift of 50 parts in a million moves the lag by 400 samples over three minutes
and smears the correlation of the whole file until nothing is left of it. A few
seconds at a time it stays sharp: each section of the DI is looked for on its
own, and the arrivals that lie on one slowly moving lag are believed.
"""

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.latency.coarse import CoarseSearch, search
from pipeline.dsp.latency.motion import Motion
from pipeline.dsp.latency.reference import DiReference, decimate, whiten
from pipeline.dsp.latency.results import CaptureSource

SECTIONS = 5
LONGEST_S = 8.0
SHORTEST_S = 2.0
FASTEST = 300e-6
JUMPS_S = 0.1
AGREEING = 3
ABOVE_BACKGROUND = 6.0


def _sections(
    reference: DiReference,
) -> tuple[list[float], tuple[NDArray[np.complex64], ...]]:
    """Middles of the sections in DI frames, conjugates of their flattened spectra."""
    rate = reference.sample_rate_hz / reference.decimation
    low = decimate(reference.di, reference.decimation)
    span = int(min(LONGEST_S * rate, low.size / SECTIONS))
    if span < SHORTEST_S * rate:
        return [], ()
    middles, templates = [], []
    for part in np.array_split(np.arange(low.size), SECTIONS):
        power = np.cumsum(np.abs(low[part]) ** 0.5)
        gain = power[span - 1 :] - np.concatenate(([0.0], power[:-span]))
        first = int(part[0]) + int(np.argmax(gain))
        alone = np.zeros_like(low)
        alone[first : first + span] = low[first : first + span]
        spectrum = scipy.fft.rfft(alone, reference.coarse_nfft)
        templates.append(whiten(spectrum, rate, reference.coarse_nfft).conj())
        middles.append((first + span / 2) * reference.decimation)
    return middles, tuple(templates)


def _chain(
    middles: list[float],
    found: tuple[CoarseSearch, ...],
    anchor: tuple[int, float],
    spare: float,
) -> tuple[float, dict[int, float]]:
    """Strength and lags of the arrivals near an anchor (section, lag)."""
    total, lags = 0.0, {}
    for k, (middle, one) in enumerate(zip(middles, found, strict=True)):
        reach = FASTEST * abs(middle - middles[anchor[0]]) + spare
        fitting = [
            (arrival.strength / one.background, arrival.lag_samples)
            for arrival in one.arrivals
            if abs(arrival.lag_samples - anchor[1]) <= reach
        ]
        if fitting and max(fitting)[0] >= ABOVE_BACKGROUND:
            strength, lags[k] = max(fitting)
            total += strength
    return total, lags


def find_by_sections(reference: DiReference, capture: CaptureSource) -> Motion | None:
    """Find a DI whose lag moves, by its sections.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    capture : CaptureSource
        The capture.

    Returns
    -------
    Motion or None
        A lag that steps from section to section; None if the DI is too short
        for sections or fewer than three agree.
    """
    middles, templates = _sections(reference)
    if not templates:
        return None
    found = search(reference, capture, templates)
    spare = JUMPS_S * reference.sample_rate_hz
    best: tuple[float, dict[int, float]] = (0.0, {})
    for k, one in enumerate(found):
        for arrival in one.arrivals:
            chain = _chain(middles, found, (k, arrival.lag_samples), spare)
            best = max(best, chain, key=lambda pair: pair[0])
    lags = best[1]
    if len(lags) < AGREEING:
        return None
    where = np.array([middles[k] for k in sorted(lags)])
    values = np.array([lags[k] for k in sorted(lags)])
    return Motion(
        float(values[0]), 0.0, 0.5 * (where[1:] + where[:-1]), np.diff(values)
    )
