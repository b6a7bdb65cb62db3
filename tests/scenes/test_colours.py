"""Authority: the real cepstrum folded to minimum phase (Oppenheim and Schafer).

A response is causal, of minimum phase and without delay exactly when its phase
is the one its own magnitude implies; the folding is first checked against the
closed forms of the textbook.
"""

import numpy as np
import pytest
from numpy.polynomial.polynomial import polyroots

from tests.scenes.colours import (
    GRID,
    MICS,
    analogue_cabinet,
    cabinet,
    floored_low_pass,
    hidden_delay,
    low_pass,
    microphone,
    minimum_phase,
)


def _without_zeros(magnitude: np.ndarray) -> np.ndarray:
    """Replace zeros at 0 Hz and Nyquist by what a sum over bins needs there.

    The product of |1 - z| over all N-th roots of one but z = 1 is N, so a zero
    of order k weighs as much as a bin of (bin next to it) / (2 pi)^k.
    """
    whole = magnitude.copy()
    for end, step in ((0, 1), (-1, -1)):
        near, far = magnitude[end + step], magnitude[end + 2 * step]
        order = max(0.0, np.round(np.log2(far / near)))
        if magnitude[end] < 0.1 * near:
            whole[end] = near / (2 * np.pi) ** order
    return whole


def _excess_samples(response: np.ndarray, rate: int, top_hz: float) -> np.ndarray:
    """Phase beyond the minimum one, as a delay in samples, 300 Hz to ``top_hz``."""
    implied = np.fft.rfft(minimum_phase(_without_zeros(np.abs(response))), GRID)
    frequency_hz = np.fft.rfftfreq(GRID, 1 / rate)
    band = (frequency_hz > 300) & (frequency_hz < top_hz)
    phase = np.angle(response[band] / implied[band])
    return -phase / (2 * np.pi * frequency_hz[band]) * rate


@pytest.mark.parametrize(
    ("taps", "folded"), [([0.5, 1], [1, 0.5]), ([1, -2.5, 1], [2, -2, 0.5])]
)
def test_folding_matches_the_textbook(taps: list[float], folded: list[float]) -> None:
    """Zeros at -2 and at 2 and 1/2 are reflected into the unit circle."""
    magnitude = np.abs(np.fft.rfft(taps, GRID))
    found = minimum_phase(magnitude)[: len(folded)]
    np.testing.assert_allclose(found, folded, atol=1e-9)


@pytest.mark.parametrize("kind", ["digital", "folded"])
@pytest.mark.parametrize("seed", range(4))
def test_cabinets_hide_no_delay(kind: str, seed: int) -> None:
    response = cabinet(kind, np.random.default_rng(seed), 48_000).response(48_000)
    assert np.max(np.abs(_excess_samples(response, 48_000, 8_000))) < 0.02


@pytest.mark.parametrize("seed", range(8))
def test_analogue_roots_lie_on_the_left(seed: int) -> None:
    """Definition of minimum phase in s: no zero and no pole right of the axis."""
    rng = np.random.default_rng(seed)
    colours = [analogue_cabinet(rng), *(microphone(kind, rng) for kind in MICS)]
    for section in (section for colour in colours for section in colour.sections):
        zeros, poles = polyroots(section.b), polyroots(section.a)
        assert np.all(poles.real < 0)
        assert np.all(zeros.real <= 0)


def test_a_hidden_delay_would_be_seen() -> None:
    """The check above can fail: a twentieth of a sample is found."""
    response = cabinet("digital", np.random.default_rng(0), 48_000).response(48_000)
    frequency = np.fft.rfftfreq(GRID)
    late = response * np.exp(-2j * np.pi * frequency * 0.05)
    excess = _excess_samples(late, 48_000, 8_000)
    np.testing.assert_allclose(excess, 0.05, atol=5e-3)


def test_low_pass_is_the_published_one() -> None:
    """Butterworth: 3.01 dB down at the corner, 6.02 dB per order and octave."""
    section = low_pass(1_000.0, 5)
    corner, two, four = 20 * np.log10(
        np.abs(section.response(np.array([1e3, 16e3, 32e3])))
    )
    assert corner == pytest.approx(-3.0103, abs=1e-3)
    assert two - four == pytest.approx(5 * 6.0206, abs=1e-2)


def test_floor_is_where_it_was_asked() -> None:
    far = np.array([1e7])
    level = np.prod([s.response(far) for s in floored_low_pass(5e3, 6, -57.0)])
    assert 20 * np.log10(abs(level)) == pytest.approx(-57.0, abs=0.01)


def test_cabinets_differ() -> None:
    """Property: two seeds do not give one cabinet."""
    one, two = (
        analogue_cabinet(np.random.default_rng(k)).response(48_000) for k in (1, 2)
    )
    apart_db = 20 * np.log10(np.abs(one[1:] / two[1:]))
    assert np.median(np.abs(apart_db)) > 3.0


def test_hidden_delay_is_what_a_far_pole_does() -> None:
    """A pole at fc far above the band delays by 1 / (2 pi fc); closed form."""
    frequency_hz = np.fft.rfftfreq(GRID, 1 / 48_000)
    late = 1 / (1 + 1j * frequency_hz / 1e6)
    exact = 48_000 / (2 * np.pi * 1e6)
    assert hidden_delay(late) == pytest.approx(exact, rel=0.05)


@pytest.mark.parametrize("kind", ["digital", "folded"])
def test_nothing_is_hidden_by_colours_made_at_the_base_rate(kind: str) -> None:
    response = cabinet(kind, np.random.default_rng(6), 48_000).response(48_000)
    assert abs(hidden_delay(response)) < 0.01
