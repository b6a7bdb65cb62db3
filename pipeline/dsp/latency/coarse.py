"""Where in the capture the DI might start, to about a millisecond.

Both sides are lowered to about 6 kHz and flattened most of the way (the 0.8th
power of their spectra), since a plain correlation through heavy distortion
follows single low notes. The search runs over every lag at which at least a
second of the two overlaps, in blocks, so that its memory depends on the DI's
length alone. Only the size of the correlation is used: its sign is no better
than a coin.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from pipeline.dsp.latency.reference import DECIMATOR_SPAN, DiReference, decimate, whiten
from pipeline.dsp.latency.results import CaptureSource, ExpectedLag

CANDIDATES = 16
APART_S = 0.002
OVERLAP_S = 1.0
CHUNK = 1 << 14
PLAUSIBLE = 0.6
GENUINE = 0.5
TIE_SIGMAS = 4.0
REFINED = 3


@dataclass(frozen=True, slots=True)
class Arrival:
    """A lag at which the capture resembles the DI.

    Attributes
    ----------
    lag_samples : float
        Lag in samples at the DI's rate, to about half a millisecond.
    strength : float
        Size of the flattened correlation, any scale.
    """

    lag_samples: float
    strength: float


@dataclass(frozen=True, slots=True)
class CoarseSearch:
    """Arrivals of the DI in a capture, the strongest first.

    Attributes
    ----------
    arrivals : tuple[Arrival, ...]
        At least 2 ms apart; empty if the capture is silent or too short.
    background : float
        Rms of the correlation, on the scale of the arrivals' strength.
    """

    arrivals: tuple[Arrival, ...]
    background: float


@dataclass(frozen=True, slots=True)
class Choice:
    """The arrival that was chosen, and what speaks against it.

    Attributes
    ----------
    lag_samples : float
        Its lag in samples at the DI's rate.
    strongest_samples : float
        Lag of the strongest arrival, which may come later.
    rival_ratio : float
        Strength of the strongest other arrival over the chosen one's.
    ambiguous : bool
        True if the DI repeats itself so exactly that another is as likely.
    echo : bool
        True if a second arrival is strong and not a repeat within the DI.
    plausible_samples : tuple[float, ...]
        Lags of all arrivals that may be meant, the strongest first.
    """

    lag_samples: float
    strongest_samples: float
    rival_ratio: float
    ambiguous: bool
    echo: bool
    plausible_samples: tuple[float, ...]


def _read_low(
    reference: DiReference, capture: CaptureSource, first: int, count: int
) -> NDArray[np.float32]:
    """Decimated capture, `count` samples from the decimated sample `first` on."""
    factor = reference.decimation
    spare = (DECIMATOR_SPAN - 1) * factor if factor > 1 else 0
    low = np.zeros(count, dtype=np.float32)
    begin, end = max(first, -DECIMATOR_SPAN), first + count
    end = min(end, -(-capture.frames // factor))
    for at in range(begin, end, CHUNK):
        size = min(CHUNK, end - at)
        piece = capture.read(at * factor, size * factor + spare)
        low[at - first : at - first + size] = decimate(piece, factor)
    return low


def _peaks(
    size: NDArray[np.float32], apart: int, count: int
) -> list[tuple[float, float]]:
    """Highest peaks of an array as (place, height), refined by a parabola."""
    found = []
    for _ in range(count):
        top = int(np.argmax(size))
        height = float(size[top])
        if height <= 0.0:
            break
        shift = 0.0
        if 0 < top < size.size - 1 and min(size[top - 1], size[top + 1]) > 0.0:
            before, after = float(size[top - 1]), float(size[top + 1])
            curve = before - 2.0 * height + after
            shift = 0.5 * (before - after) / curve if curve < 0.0 else 0.0
        found.append((top + shift, height))
        size[max(top - apart, 0) : top + apart + 1] = 0.0
    return found


def search(
    reference: DiReference,
    capture: CaptureSource,
    templates: tuple[NDArray[np.complex64], ...] = (),
) -> tuple[CoarseSearch, ...]:
    """Find the lags at which a capture resembles the DI.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    capture : CaptureSource
        The capture at the DI's rate; read once, from front to back.
    templates : tuple[NDArray[np.complex64], ...]
        Conjugates of flattened spectra of parts of the DI; empty = the whole DI.

    Returns
    -------
    tuple[CoarseSearch, ...]
        For each template up to 16 arrivals. The flattened correlation: Knapp
        and Carter 1976 (generalised cross-correlation), with a power below 1.
    """
    if not templates and (folded := _search_folded(reference, capture)):
        return (folded,)
    factor, nfft = reference.decimation, reference.coarse_nfft
    rate = reference.sample_rate_hz / factor
    length, margin = reference.coarse_frames, int(OVERLAP_S * rate)
    step, total = nfft - length, -(-capture.frames // factor)
    templates = templates or (reference.flattened(nfft),)
    peaks: list[list[tuple[float, float]]] = [[] for _ in templates]
    energy, lags = np.zeros(len(templates)), 0
    # A capture that fits into one transform beside the DI needs one only: the
    # lags before its start then wrap around to the end.
    whole = total + length <= nfft
    firsts = range(margin - length, max(total - margin, 0), step)
    for first in firsts[:1] if whole else firsts:
        low = _read_low(reference, capture, 0 if whole else first, nfft)
        spectrum = whiten(scipy.fft.rfft(low), rate, nfft)
        valid = total - margin - first if whole else min(step, total - margin - first)
        lags += valid
        for k, template in enumerate(templates):
            curve = scipy.fft.irfft(spectrum * template, nfft)
            if whole:
                curve = np.concatenate((curve[first:], curve[: total - margin]))
            size = np.abs(curve[:valid])
            energy[k] += float(np.dot(size, size))
            found = _peaks(size, int(APART_S * rate), CANDIDATES)
            peaks[k] += [(first + place, height) for place, height in found]
    return tuple(
        _ordered(found, factor, power / max(lags, 1))
        for found, power in zip(peaks, energy.tolist(), strict=True)
    )


def _ordered(
    peaks: list[tuple[float, float]], factor: int, power: float
) -> CoarseSearch:
    """Strongest peaks of a correlation whose mean square is known."""
    strongest = sorted(peaks, key=lambda peak: -peak[1])[:CANDIDATES]
    arrivals = (Arrival(place * factor, height) for place, height in strongest)
    return CoarseSearch(tuple(arrivals), float(np.sqrt(power)))


def _search_folded(
    reference: DiReference, capture: CaptureSource
) -> CoarseSearch | None:
    """Search with a transform of half the length; late lags fall on early ones."""
    # Between a lag of a minute or more and the one that is a transform earlier it
    # cannot decide: None where either is plausible, or the capture is too long.
    factor, nfft = reference.decimation, reference.short_nfft
    rate = reference.sample_rate_hz / factor
    length, margin = reference.coarse_frames, int(OVERLAP_S * rate)
    total = -(-capture.frames // factor)
    lags = length + total - 2 * margin
    if not margin < total <= nfft or lags <= 0:
        return None
    low = _read_low(reference, capture, 0, nfft)
    spectrum = whiten(scipy.fft.rfft(low), rate, nfft)
    spectrum *= reference.flattened(nfft)
    curve = scipy.fft.irfft(spectrum, nfft)
    np.abs(curve, out=curve)
    power = float(np.dot(curve, curve)) / lags
    # Lags before the capture's start lie at the end. Where a late one lies on one of
    # those, the late one is written down.
    late = total - margin
    curve[late : nfft - length + margin] = 0.0
    peaks = [
        (at if at < late else at - nfft, size)
        for at, size in _peaks(curve, int(APART_S * rate), CANDIDATES)
    ]
    found = _ordered(peaks, factor, power)
    doubtful = (nfft - length + margin) * factor
    plausible = [
        arrival.lag_samples
        for arrival in found.arrivals
        if arrival.strength >= PLAUSIBLE * found.arrivals[0].strength
    ]
    return None if max(plausible, default=0.0) >= doubtful - 1.0 else found


def _self_similarity(
    reference: DiReference, lags_samples: NDArray[np.float64]
) -> NDArray[np.float64]:
    """How much the DI resembles itself at some lags, 1 at lag 0."""
    places = np.abs(np.rint(lags_samples / reference.decimation)).astype(int)
    own = reference.self_similarity(int(places.max(initial=0)) + REFINED)
    near = np.clip(
        places[:, np.newaxis] + np.arange(-REFINED, REFINED + 1), 0, own.size - 1
    )
    return np.asarray(own[near].max(axis=1) / own[0], dtype=np.float64)


def _expected(found: CoarseSearch, expected: ExpectedLag | None) -> list[Arrival]:
    """Arrivals inside the expected range, if any is plausible."""
    if expected is None:
        return []
    floor = PLAUSIBLE * found.arrivals[0].strength
    return [
        arrival
        for arrival in found.arrivals
        if abs(arrival.lag_samples - expected.samples) <= expected.tolerance_samples
        and arrival.strength >= floor
    ]


def choose(
    reference: DiReference, found: CoarseSearch, expected: ExpectedLag | None
) -> Choice:
    """Choose the earliest plausible arrival.

    An earlier arrival counts if it is at least 0.6 times as strong as the
    strongest and not merely the DI's own repetition: of two arrivals of a DI
    that resembles itself by the share a at their distance, the joint least
    squares amplitude (r1 - a r2) / (1 - a^2) must keep half the strength.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    found : CoarseSearch
        Arrivals, at least one.
    expected : ExpectedLag or None
        A range in which a plausible arrival is preferred.

    Returns
    -------
    Choice
        The chosen lag and its rivals.
    """
    inside = _expected(found, expected)
    top = found.arrivals[0]
    near = [a for a in found.arrivals if a.strength >= PLAUSIBLE * top.strength]
    if len(near) == 1:
        others = found.arrivals[1:2]
        ratio = others[0].strength / top.strength if others else 0.0
        lag = top.lag_samples
        return Choice(
            lag, lag, ratio, ambiguous=False, echo=False, plausible_samples=(lag,)
        )
    lags = np.array([a.lag_samples for a in near])
    own = _self_similarity(reference, lags - top.lag_samples)
    chosen = top
    for arrival, alike in zip(near[1:], own[1:], strict=True):
        spread = max(1.0 - alike**2, 0.05)
        joint = (arrival.strength - alike * top.strength) / spread
        if joint >= GENUINE * top.strength and arrival.lag_samples < chosen.lag_samples:
            chosen = arrival
    if inside:
        chosen = inside[0]
    own = _self_similarity(reference, lags - chosen.lag_samples)
    rivals = [(a, s) for a, s in zip(near, own, strict=True) if a is not chosen]
    ratio = max(a.strength for a, _ in rivals) / chosen.strength
    tie = chosen.strength - TIE_SIGMAS * found.background
    repeats = [a for a, s in rivals if s > PLAUSIBLE and a.strength > tie]
    return Choice(
        chosen.lag_samples,
        chosen.lag_samples if inside else top.lag_samples,
        ratio,
        ambiguous=bool(repeats) and not inside,
        echo=len(rivals) > sum(s > PLAUSIBLE for _, s in rivals),
        plausible_samples=tuple(lags.tolist()),
    )
