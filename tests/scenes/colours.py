"""Causal minimum-phase colours with their onset at zero: speakers, mics, EQ.

Every colour answers one question, its complex response on a grid of
frequencies. Three independent constructions are used so that no estimator is
judged on its own model only:

* analogue sections in s, all poles and zeros in the left half plane;
* digital sections (Butterworth, Bessel, Chebyshev, audio-EQ-cookbook bells) at
  the base rate, zeros inside or on the unit circle;
* finite responses folded from a random smooth magnitude by the real cepstrum
  (Oppenheim and Schafer).
"""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import polynomial
from scipy import signal

from .arrays import Array, Spectrum

GRID = 2**17


@dataclass(frozen=True, slots=True)
class Section:
    """b(s)/a(s) with s = j f / corner; coefficients in ascending powers."""

    corner_hz: float
    b: tuple[float, ...]
    a: tuple[float, ...]

    def response(self, frequency_hz: Array) -> Spectrum:
        s = 1j * frequency_hz / self.corner_hz
        return np.asarray(polynomial.polyval(s, self.b) / polynomial.polyval(s, self.a))


@dataclass(frozen=True, slots=True)
class Colour:
    """A chain of analogue sections, digital sections and a finite response."""

    label: str
    sections: tuple[Section, ...] = ()
    sos: Array | None = None
    taps: Array | None = None

    def response(self, sample_rate_hz: int) -> Spectrum:
        """Return the response on GRID // 2 + 1 points from 0 to Nyquist."""
        frequency_hz = np.asarray(
            np.fft.rfftfreq(GRID, 1 / sample_rate_hz), dtype=np.float64
        )
        total: Spectrum = np.ones(frequency_hz.size, np.complex128)
        for section in self.sections:
            total = total * section.response(frequency_hz)
        if self.sos is not None:
            _, digital = signal.freqz_sos(self.sos, frequency_hz, fs=sample_rate_hz)
            total *= digital
        if self.taps is not None:
            total *= np.fft.rfft(self.taps, GRID)
        return total


def _butterworth(order: int) -> tuple[float, ...]:
    _, a = signal.butter(order, 1.0, analog=True)
    return tuple(float(value) for value in a[::-1])


def low_pass(corner_hz: float, order: int) -> Section:
    """Analogue Butterworth low-pass."""
    return Section(corner_hz, (1.0,), _butterworth(order))


def high_pass(corner_hz: float, order: int) -> Section:
    """Analogue Butterworth high-pass."""
    return Section(corner_hz, (*([0.0] * order), 1.0), _butterworth(order))


def bell(corner_hz: float, gain_db: float, q: float) -> Section:
    """Analogue peak or notch, both roots of each polynomial on the left."""
    root = 10 ** (gain_db / 40)
    return Section(corner_hz, (1.0, root / q, 1.0), (1.0, 1 / (root * q), 1.0))


def shelf(corner_hz: float, low_db: float) -> Section:
    """First-order shelf: ``low_db`` below the corner, 0 dB far above."""
    gain = 10 ** (low_db / 20)
    return Section(corner_hz, (gain, 1.0), (1.0, 1.0))


def floored_low_pass(corner_hz: float, order: int, floor_db: float) -> list[Section]:
    """Low-pass that levels off at ``floor_db``: as many zeros as poles, all left."""
    top_hz = corner_hz * 10 ** (-floor_db / 20 / order)
    rise = _butterworth(order)
    return [low_pass(corner_hz, order), Section(top_hz, rise, (1.0,))]


def analogue_cabinet(rng: np.random.Generator) -> Colour:
    """Speaker in a box: order 2 to 9, 3 to 8.5 kHz, resonance, breakup, floor."""
    order = int(rng.integers(2, 10))
    closed = bool(rng.random() < 0.6)
    sections = floored_low_pass(
        rng.uniform(3_000.0, 8_500.0), order, rng.uniform(-85.0, -35.0)
    )
    resonance_hz = rng.uniform(80.0, 120.0)
    # A closed box falls at 12 dB/octave below resonance, an open back at 6.
    sections.append(high_pass(0.8 * resonance_hz, 2 if closed else 1))
    sections.append(bell(resonance_hz, rng.uniform(2.0, 9.0), rng.uniform(1.0, 3.0)))
    if not closed:
        sections.append(bell(rng.uniform(150.0, 350.0), rng.uniform(-6.0, -2.0), 1.2))
    sections.append(bell(rng.uniform(350.0, 700.0), rng.uniform(-6.0, 0.0), 1.0))
    sections.append(bell(rng.uniform(2_000.0, 3_500.0), rng.uniform(2.0, 8.0), 1.5))
    for _ in range(int(rng.integers(2, 6))):
        depth_db = rng.uniform(-14.0, 7.0)
        sections.append(bell(rng.uniform(900.0, 9_000.0), depth_db, rng.uniform(2, 8)))
    return Colour("analogue " + ("closed" if closed else "open"), tuple(sections))


def _cookbook_bell(
    rng: np.random.Generator, span_hz: tuple[float, float], rate: int
) -> Array:
    """Audio-EQ-cookbook peaking section with random centre, gain and Q."""
    w0 = 2 * np.pi * rng.uniform(*span_hz) / rate
    root = 10 ** (rng.uniform(-9.0, 8.0) / 40)
    alpha = np.sin(w0) / (2 * rng.uniform(0.7, 5.0))
    b = np.array([1 + alpha * root, -2 * np.cos(w0), 1 - alpha * root])
    a = np.array([1 + alpha / root, -2 * np.cos(w0), 1 - alpha / root])
    return np.asarray(np.concatenate([b, a])[None, :] / a[0])


def digital_cabinet(rng: np.random.Generator, sample_rate_hz: int) -> Colour:
    """Chain of ready-made digital filters at the base rate."""
    kind = str(rng.choice(["butter", "bessel", "cheby"]))
    order = int(rng.integers(2, 7))
    corner_hz = rng.uniform(3_500.0, 8_000.0)
    if kind == "butter":
        low = signal.butter(order, corner_hz, fs=sample_rate_hz, output="sos")
    elif kind == "bessel":
        low = signal.bessel(
            order, corner_hz, norm="mag", fs=sample_rate_hz, output="sos"
        )
    else:
        ripple_db = rng.uniform(0.3, 2.0)
        low = signal.cheby1(
            order, ripple_db, corner_hz, fs=sample_rate_hz, output="sos"
        )
    high = signal.butter(
        int(rng.integers(1, 4)),
        rng.uniform(60.0, 110.0),
        "highpass",
        fs=sample_rate_hz,
        output="sos",
    )
    bells = [
        _cookbook_bell(rng, span, sample_rate_hz)
        for span in ((80, 200), (300, 900), (1_500, 3_500), (2_500, 6_000))
    ]
    return Colour(f"digital {kind}", sos=np.concatenate([low, high, *bells]))


def folded_cabinet(rng: np.random.Generator, sample_rate_hz: int) -> Colour:
    """Finite response of minimum phase from a random smooth magnitude."""
    frequency_hz = np.fft.rfftfreq(GRID, 1 / sample_rate_hz)
    octave = np.log2(np.maximum(frequency_hz, 5.0) / 1_000)
    knots = np.arange(-8.0, 6.0, 1 / 3)
    level_db = np.interp(octave, knots, rng.normal(0.0, 2.5, knots.size))
    level_db -= 12 * np.maximum(0, np.log2(rng.uniform(70, 110) / 1_000) - octave)
    edge = np.log2(rng.uniform(3_000, 7_500) / 1_000)
    slope_db = rng.uniform(14.0, 50.0)
    level_db -= slope_db * np.logaddexp(0, 6 * (octave - edge)) / 6
    floor_db = rng.uniform(-80.0, -40.0)
    magnitude = 10 ** (level_db / 20) + 10 ** (floor_db / 20)
    return Colour("folded", taps=minimum_phase(magnitude))


def minimum_phase(magnitude: Array) -> Array:
    """Fold a one-sided magnitude (GRID // 2 + 1 points, each above zero) into taps."""
    cepstrum = np.fft.irfft(np.log(magnitude))
    fold = np.zeros(cepstrum.size)
    fold[0] = fold[cepstrum.size // 2] = 1.0
    fold[1 : cepstrum.size // 2] = 2.0
    taps = np.fft.irfft(np.exp(np.fft.rfft(cepstrum * fold)))
    return np.asarray(taps[: GRID // 4])


def _dynamic(rng: np.random.Generator) -> list[Section]:
    return [
        high_pass(rng.uniform(50, 120), 1),
        bell(rng.uniform(3_500, 6_500), rng.uniform(3, 7), rng.uniform(0.8, 1.8)),
        low_pass(rng.uniform(11_000, 15_000), int(rng.integers(1, 3))),
    ]


def _bright(rng: np.random.Generator) -> list[Section]:
    return [
        high_pass(rng.uniform(15, 40), 1),
        bell(rng.uniform(8_000, 12_000), rng.uniform(1, 5), 0.9),
        low_pass(rng.uniform(19_000, 30_000), 2),
    ]


def _ribbon(rng: np.random.Generator) -> list[Section]:
    return [
        high_pass(rng.uniform(20, 40), 1),
        shelf(rng.uniform(150, 350), rng.uniform(3, 9)),
        low_pass(rng.uniform(8_000, 14_000), 2),
    ]


def _room(rng: np.random.Generator) -> list[Section]:
    return [high_pass(rng.uniform(20, 50), 1), low_pass(rng.uniform(15_000, 20_000), 1)]


MICS = {"dynamic": _dynamic, "bright": _bright, "ribbon": _ribbon, "room": _room}


def microphone(kind: str, rng: np.random.Generator) -> Colour:
    """Return a microphone of the kind: dynamic, bright, ribbon or room."""
    return Colour(kind, tuple(MICS[kind](rng)))


def cabinet(kind: str, rng: np.random.Generator, sample_rate_hz: int) -> Colour:
    """Return a cabinet of the kind: analogue, digital or folded."""
    if kind == "analogue":
        return analogue_cabinet(rng)
    if kind == "digital":
        return digital_cabinet(rng, sample_rate_hz)
    return folded_cabinet(rng, sample_rate_hz)


def hidden_delay(response: Spectrum) -> float:
    """Return what poles above Nyquist add, in samples, between 1 and 4 kHz.

    A perfect observer who knows the whole magnitude up to Nyquist would still
    take this part of the phase for delay. Zeros at either end of the band are
    weighed as in a sum over bins: the neighbour over 2 pi for each order.
    """
    magnitude = np.abs(response)
    for end, step in ((0, 1), (-1, -1)):
        near, far = magnitude[end + step], magnitude[end + 2 * step]
        order = max(0.0, float(np.round(np.log2(far / near))))
        magnitude[end] = max(magnitude[end], near / (2 * np.pi) ** order)
    cepstrum = np.fft.irfft(np.log(magnitude))
    odd = np.zeros(cepstrum.size)
    half = cepstrum.size // 2
    odd[1:half], odd[half + 1 :] = cepstrum[1:half], -cepstrum[half + 1 :]
    implied = np.fft.rfft(odd).imag
    frequency = np.fft.rfftfreq(GRID)
    band = slice(GRID // 48, GRID // 12)
    left = np.angle(response[band] * np.exp(-1j * implied[band]))
    return float(-np.mean(left / (2 * np.pi * frequency[band])))
