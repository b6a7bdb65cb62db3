"""Sums of two microphones, against the tables of acoustics handbooks.

Authorities: the phase-sum table of a sound-system engineering handbook (two tones of
90 dB each), the comb examples of an acoustics handbook, and the arithmetic of the
level-difference table, each to the printed digit; truth by construction elsewhere.
"""

import numpy as np
import pytest

from pipeline.dsp.mix import (
    MixPart,
    advise_pair,
    best_ratio,
    blend,
    comb_notches_hz,
    comb_response,
    gather_pairs,
    phase_sum_db,
    ripple_from_level_difference,
    sum_curve,
    sum_curves,
    sum_of_several,
)
from pipeline.dsp.pairs import Families, PairEstimate, PairSpectra, Reading
from pipeline.units import speed_of_sound_m_s

RATE_HZ = 48_000

# Sound-system engineering handbook, table 2.9: level of two tones of 90 dB.
PHASE_SUM_DB = (
    *(96.02, 95.99, 95.89, 95.72, 95.48, 95.17, 94.77, 94.29, 93.71),
    *(93.01, 92.18, 91.19, 90.00, 88.54, 86.70, 84.28, 80.81, 74.83),
)

# 20 log10(1 + g), 20 log10(1 - g), 10 log10(1 + g^2) as tabulated.
RIPPLES = [
    (1, 5.54, -19.27, 2.54),
    (3, 4.65, -10.69, 1.76),
    (6, 3.53, -6.04, 0.97),
    (8, 2.91, -4.41, 0.64),
    (9, 2.64, -3.81, 0.52),
    (9.54, 2.50, -3.52, 0.46),
    (10, 2.39, -3.30, 0.41),
    (12, 1.95, -2.51, 0.27),
    (15, 1.42, -1.70, 0.14),
    (20, 0.83, -0.92, 0.04),
    (30, 0.27, -0.28, 0.00),
    (40, 0.09, -0.09, 0.00),
]


@pytest.mark.parametrize(
    ("phase", "level"), list(zip(range(0, 180, 10), PHASE_SUM_DB, strict=True))
)
def test_phase_sum_table(phase: float, level: float) -> None:
    assert round(90 + phase_sum_db(phase), 2) == level


def test_opposite_tones_cancel_to_a_finite_floor() -> None:
    assert phase_sum_db(180) < -250
    assert np.isfinite(phase_sum_db(180))


@pytest.mark.parametrize(("difference", "peak", "dip", "incoherent"), RIPPLES)
def test_level_difference_table(
    difference: float, peak: float, dip: float, incoherent: float
) -> None:
    for sign in (1, -1):
        ripple = ripple_from_level_difference(sign * difference)
        assert ripple.dip_db is not None
        # Half a unit of the last printed digit; 9.54 itself is rounded.
        assert ripple.peak_db == pytest.approx(peak, abs=0.0051)
        assert ripple.dip_db == pytest.approx(dip, abs=0.0051)
        assert ripple.incoherent_db == pytest.approx(incoherent, abs=0.0051)


def test_equal_levels_have_no_finite_dip() -> None:
    ripple = ripple_from_level_difference(0)
    assert ripple.dip_db is None
    assert round(ripple.peak_db, 2) == 6.02
    assert round(ripple.incoherent_db, 2) == 3.01


@pytest.mark.parametrize(
    ("delay_ms", "notches"),
    [
        (0.1, [5000, 15000, 25000]),
        (0.5, [1000, 3000, 5000]),
        (1, [500, 1500, 2500]),
        (2, [250, 750, 1250]),
        (5, [100, 300, 500]),
        (10, [50, 150, 250]),
        (20, [25, 75, 125]),
        (50, [10, 30, 50]),
    ],
)
def test_comb_table(delay_ms: float, notches: list[float]) -> None:
    """Acoustics handbook, comb filtering: nulls at (2k + 1) / (2 delay)."""
    found = comb_notches_hz(delay_ms / 1000, 3)
    np.testing.assert_allclose(found, notches, rtol=1e-12)
    response = np.abs(comb_response(np.array(notches), delay_ms / 1000, 1.0))
    np.testing.assert_allclose(response, 0, atol=1e-9)


@pytest.mark.parametrize(
    ("delay_ms", "spacing_hz"),
    [(0.1, 10_000), (0.5, 2000), (1, 1000), (2, 500), (8, 125), (10, 100), (50, 20)],
)
def test_comb_peaks_between_the_nulls(delay_ms: float, spacing_hz: float) -> None:
    """Acoustics handbook: peaks of 6.02 dB at k / delay, as far apart as the nulls."""
    nulls = comb_notches_hz(delay_ms / 1000, 4)
    np.testing.assert_allclose(np.diff(nulls), spacing_hz, rtol=1e-12)
    peaks = np.arange(4) * spacing_hz
    level = 20 * np.log10(np.abs(comb_response(peaks, delay_ms / 1000, 1.0)))
    np.testing.assert_allclose(np.round(level, 2), 6.02)


@pytest.mark.parametrize(
    ("inches", "delay_ms", "first_hz"),
    [(0.7, 0.1, 5000), (3.4, 0.5, 1000), (6.75, 1.0, 500)],
)
def test_microphone_before_a_reflecting_surface(
    inches: float, delay_ms: float, first_hz: float
) -> None:
    """Acoustics handbook, there and back at its 1130 ft/s, to its printed digits."""
    delay_s = 2 * inches / 12 / 1130
    assert delay_s * 1000 == pytest.approx(delay_ms, rel=0.04)
    assert comb_notches_hz(delay_s, 1)[0] == pytest.approx(first_hz, rel=0.04)


def test_three_times_as_far_is_9_54_db() -> None:
    """Handbooks: 20 log10 3; by the table above that is +2.5 and -3.5 dB of ripple."""
    ripple = ripple_from_level_difference(20 * np.log10(3))
    assert ripple.dip_db is not None
    assert (round(ripple.peak_db, 2), round(ripple.dip_db, 2)) == (2.50, -3.52)


@pytest.mark.parametrize("count", [2, 3, 4, 10])
def test_equal_unrelated_sounds_add_10_log_n(count: int) -> None:
    """Handbooks: N incoherent sources of one level add 10 log10 N dB: no loss."""
    freq_hz = np.arange(12.0, 20_000.0, 12.0)
    one = np.ones(freq_hz.size)
    pairs = {
        (a, b): PairSpectra(freq_hz, one, one, 0j * one)
        for a in range(count)
        for b in range(a + 1, count)
    }
    spectra = gather_pairs(pairs, count)
    assert spectra is not None
    curve = sum_of_several(spectra, [MixPart(0.0, 1, 0.0)] * count)
    bins = np.searchsorted(freq_hz, 1000.0 * 10 ** np.array([-0.05, 0.05]))
    own_db = 10 * np.log10(bins[1] - bins[0])
    level = curve.band_sum_db[np.argmin(np.abs(curve.band_hz - 1000.0))]
    assert level - own_db == pytest.approx(10 * np.log10(count), abs=1e-9)
    assert curve.sum_loss_db == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("samples", "first_hz"),
    [(1, 24000), (2, 12000), (5, 4800), (10, 2400), (24, 1000), (48, 500)],
)
def test_first_notch_of_an_offset_in_samples(samples: int, first_hz: float) -> None:
    assert comb_notches_hz(samples / RATE_HZ, 1)[0] == pytest.approx(first_hz)


def test_inverted_comb_swaps_peaks_and_notches() -> None:
    """Acoustics handbook: with one path inverted the first null is at 0 Hz."""
    np.testing.assert_allclose(
        comb_notches_hz(0.001, 3, inverted=True), [0, 1000, 2000]
    )
    peaks = 20 * np.log10(np.abs(comb_response(np.array([500.0]), 0.001, -1.0)))
    assert round(float(peaks[0]), 2) == 6.02
    with pytest.raises(ValueError, match="other than 0"):
        comb_notches_hz(0.0, 1)


def pair_spectra(delay_s: float, polarity: int = 1, gain: float = 1.0) -> PairSpectra:
    """White sound at both microphones, b late by `delay_s`."""
    freq_hz = np.arange(12.0, 20_000.0, 12.0)
    power = np.ones(freq_hz.size)
    cross = polarity * gain * np.exp(-2j * np.pi * freq_hz * delay_s)
    return PairSpectra(freq_hz, power, gain**2 * power, cross)


def estimate(delay_samples: float, polarity: int | None = 1, **changes) -> PairEstimate:
    mm = speed_of_sound_m_s(20.0) * 1000 / RATE_HZ
    reading = Reading(delay_samples, 0.14)
    fields = {
        "delay_samples": delay_samples,
        "distance_mm": delay_samples * mm,
        "polarity": polarity,
        "confidence": 0.95,
        "uncertainty_samples": 0.28,
        "usable_from_hz": 90.0,
        "usable_to_hz": 20_000.0,
        "families": Families(reading, reading, 0.0),
        "spectra": pair_spectra(delay_samples / RATE_HZ, polarity or 1),
    }
    return PairEstimate(**(fields | changes))


def test_sum_curve_follows_the_comb() -> None:
    """Truth by construction: equal, 0.5 ms late: nulls at 1, 3, 5 kHz."""
    curve = sum_curve(pair_spectra(0.0005))
    np.testing.assert_allclose(curve.notches_hz, [1000, 3000, 5000], atol=12)
    expected = 20 * np.log10(np.abs(comb_response(curve.freq_hz, 0.0005, 1.0)))
    expected -= 10 * np.log10(2)
    away = expected > -60
    np.testing.assert_allclose(curve.level_db[away], expected[away], atol=1e-6)


def test_aligned_sum_gains_three_decibels_everywhere() -> None:
    curves = sum_curves(pair_spectra(0.0005), 0.0005)
    np.testing.assert_allclose(curves.aligned.level_db, 10 * np.log10(2), atol=1e-9)
    assert round(curves.aligned.sum_loss_db, 2) == -3.01
    assert curves.aligned.notches_hz == ()
    assert curves.aligned_flipped.sum_loss_db > 100


def test_unrelated_microphones_neither_lose_nor_gain() -> None:
    spectra = pair_spectra(0.0)
    apart = PairSpectra(
        spectra.freq_hz, spectra.power_a, spectra.power_b, 0 * spectra.cross
    )
    for curve in (sum_curve(apart), sum_curve(apart, polarity=-1)):
        assert curve.sum_loss_db == pytest.approx(0, abs=1e-9)


def test_a_flip_is_no_cure_for_a_delay() -> None:
    """Property: flipping a late pair moves the notches, it does not remove them."""
    curves = sum_curves(pair_spectra(0.0005), 0.0005)
    assert curves.flipped.notches_hz
    np.testing.assert_allclose(curves.flipped.notches_hz[0], 2000, atol=12)


def test_a_sum_that_cancels_as_a_whole_has_no_notches_of_its_own() -> None:
    """Truth by construction: in step and flipped, some 20 dB down with a ripple."""
    ripple = 1.0 + 0.1 * np.random.default_rng(4).standard_normal(1666)
    spectra = pair_spectra(0.0)
    uneven = PairSpectra(
        spectra.freq_hz,
        spectra.power_a,
        spectra.power_b * ripple[: spectra.freq_hz.size] ** 2,
        spectra.cross * ripple[: spectra.freq_hz.size],
    )
    flipped = sum_curve(uneven, polarity=-1)
    assert flipped.sum_loss_db > 15
    assert flipped.notches_hz == ()


@pytest.mark.parametrize(
    ("delay_us", "frequency", "loss"),
    [(38, 5000, -1.6), (74, 2000, -1.0), (74, 3000, -2.3), (74, 5000, -8.0)],
)
def test_two_microphones_half_an_inch_and_an_inch_apart(
    delay_us: float, frequency: float, loss: float
) -> None:
    """Arithmetic of |cos(pi f t)|, as tabulated for 13 and 25 mm to 0.1 dB."""
    curve = sum_curve(pair_spectra(delay_us * 1e-6))
    level = np.interp(frequency, curve.freq_hz, curve.level_db) - 10 * np.log10(2)
    assert level == pytest.approx(loss, abs=0.06)


def test_blend_adds_at_gain_polarity_and_lag() -> None:
    x = np.random.default_rng(1).standard_normal(2000).astype(np.float32)
    late = np.concatenate([np.zeros(7, np.float32), x[:-7]])
    mixed = blend([x, late], [0.0, -6.0], [1, -1], [0.0, 7.0])
    assert mixed.dtype == np.float32
    expected = x * np.float32(1 - 10 ** (-6 / 20))
    np.testing.assert_allclose(mixed[:1993], expected[:1993], atol=1e-6)
    with pytest.raises(ValueError, match="one gain, polarity and lag"):
        blend([x], [0.0, 1.0], [1], [0.0])
    with pytest.raises(ValueError, match="one gain, polarity and lag"):
        blend([], [], [], [])


def test_best_ratio_of_equal_pair_in_step_is_equal() -> None:
    """Property: 3.01 dB over the power sum needs equal levels."""
    best = best_ratio(pair_spectra(0.0, gain=10 ** (-4 / 20)))
    assert best.gain_db == pytest.approx(4.0)


def test_advice_to_move_the_later_microphone() -> None:
    """Truth by construction: three samples are 21 mm, 0.28 are 2 mm."""
    for delay, mic in ((3.0, "b"), (-3.0, "a")):
        (step,) = advise_pair(estimate(delay), RATE_HZ)
        assert (step.kind, step.mic) == ("move", mic)
        assert step.move_mm is not None
        assert step.uncertainty_mm is not None
        assert round(step.move_mm) == 21
        assert round(step.uncertainty_mm) == 2
        assert step.loss_after_db < step.loss_before_db
        assert round(step.loss_after_db, 2) == -3.01


def test_advice_takes_polarity_and_delay_as_two_steps() -> None:
    flip, move = advise_pair(estimate(3.0, -1), RATE_HZ)
    assert (flip.kind, flip.move_mm, flip.mic) == ("flip", None, None)
    assert move.kind == "move"
    np.testing.assert_allclose(flip.after.level_db, move.before.level_db)
    (only,) = advise_pair(estimate(0.1, -1), RATE_HZ)
    assert only.kind == "flip"
    assert only.loss_before_db > 10


@pytest.mark.parametrize(
    ("pair", "kind", "reason"),
    [
        (estimate(100.0), "leave", "room"),
        (estimate(100.0, -1), "leave", "room"),
        (estimate(40.0), "align", "delay"),
        (estimate(0.2), "leave", "in_step"),
        (estimate(0.6, uncertainty_samples=0.1), "leave", "small"),
        (estimate(3.0, None), "leave", "unsure"),
        (estimate(3.0, confidence=0.2), "leave", "unsure"),
    ],
)
def test_when_to_leave_it_alone(pair: PairEstimate, kind: str, reason: str) -> None:
    """A room microphone's lateness is its sound: common practice, no source."""
    (step,) = advise_pair(pair, RATE_HZ)
    assert (step.kind, step.reason) == (kind, reason)
