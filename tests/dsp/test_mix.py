"""Sums of two microphones, against the tables of handbooks.

Authorities: two equal tones by phase, Davis and Patronis, Sound System Engineering,
table 2.9; combs, Master Handbook of Acoustics, chapter on comb filters, pages 188 to
202; both to the printed digit. Where the arithmetic is our own, the test says so.
Truth by construction elsewhere.
"""

import numpy as np
import pytest

from pipeline.dsp.mix import (
    MixPart,
    SumCurve,
    advise_pair,
    best_ratio,
    blend,
    gather_pairs,
    sum_curve,
    sum_curves,
    sum_of_several,
)
from pipeline.dsp.pairs import Families, PairEstimate, PairSpectra, Reading
from pipeline.units import speed_of_sound_m_s

RATE_HZ = 48_000

# Davis and Patronis, Sound System Engineering, table 2.9: level of two tones of 90 dB,
# 0 to 170 degrees apart.
PHASE_SUM_DB = (
    *(96.02, 95.99, 95.89, 95.72, 95.48, 95.17, 94.77, 94.29, 93.71),
    *(93.01, 92.18, 91.19, 90.00, 88.54, 86.70, 84.28, 80.81, 74.83),
)

# Own arithmetic of 20 log10(1 + g), 20 log10(1 - g), 10 log10(1 + g^2), two decimals.
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

# A null is -inf; this is what is left of it by rounding.
NULL_DB = -140.0
EQUAL_DB = 10 * np.log10(2)


def tones(phase_deg: float, coherence: float = 1.0) -> PairSpectra:
    """Two tones of 1 kHz and 90 dB; b lags by `phase_deg`."""
    power = np.array([1e9])
    cross = coherence * power * np.exp(-1j * np.radians(phase_deg))
    return PairSpectra(np.array([1000.0]), power, power, cross)


def level_db(curve: SumCurve) -> float:
    """Level of a sum of tones, each of 0 dB where they are of 90 dB."""
    (level,) = curve.band_sum_db - 90
    return float(level)


def comb(delay_s: float, polarity: int = 1) -> SumCurve:
    """Equal sounds, b late by `delay_s`: three periods of the comb from 0 Hz."""
    freq_hz = np.arange(601) / (200 * delay_s)
    power = np.ones(freq_hz.size)
    cross = np.exp(-2j * np.pi * freq_hz * delay_s)
    spectra = PairSpectra(freq_hz, power, power, cross)
    return sum_curve(spectra, polarity=polarity)


def at(curve: SumCurve, freq_hz: list[float]) -> np.ndarray:
    """Levels at points of the curve, re one of two equal sounds."""
    found = np.argmin(np.abs(curve.freq_hz - np.array(freq_hz)[:, None]), axis=1)
    np.testing.assert_allclose(curve.freq_hz[found], freq_hz, rtol=1e-12)
    return curve.level_db[found] + EQUAL_DB


@pytest.mark.parametrize(
    ("phase", "level"), list(zip(range(0, 180, 10), PHASE_SUM_DB, strict=True))
)
def test_phase_sum_table(phase: float, level: float) -> None:
    curve = sum_curve(tones(phase))
    assert round(90 + level_db(curve), 2) == level
    assert round(90 + EQUAL_DB + float(curve.level_db[0]), 2) == level
    flipped = sum_curve(tones(phase + 180), polarity=-1)
    assert round(90 + level_db(flipped), 2) == level


def test_opposite_tones_cancel_to_a_finite_floor() -> None:
    curve = sum_curve(tones(180))
    assert curve.level_db[0] < NULL_DB
    assert np.isfinite(curve.level_db).all()
    assert np.isfinite(curve.band_sum_db).all()


@pytest.mark.parametrize(("difference", "peak", "dip", "incoherent"), RIPPLES)
def test_level_difference_table(
    difference: float, peak: float, dip: float, incoherent: float
) -> None:
    # Whichever is the weaker: levels are re the stronger one.
    for gain_db, stronger_db in ((-difference, 0.0), (difference, difference)):
        for pair, polarity, level in (
            (tones(0), 1, peak),
            (tones(0), -1, dip),
            (tones(0, coherence=0.0), 1, incoherent),
        ):
            curve = sum_curve(pair, gain_db=gain_db, polarity=polarity)
            # Half a unit of the last printed digit; 9.54 itself is rounded.
            assert level_db(curve) - stronger_db == pytest.approx(level, abs=0.0051)


def test_equal_levels_have_no_finite_dip() -> None:
    assert sum_curve(tones(0), polarity=-1).level_db[0] < NULL_DB
    assert round(level_db(sum_curve(tones(0))), 2) == 6.02
    assert round(level_db(sum_curve(tones(0, coherence=0.0))), 2) == 3.01


@pytest.mark.parametrize(
    ("delay_ms", "nulls"),
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
def test_comb_table(delay_ms: float, nulls: list[float]) -> None:
    """Nulls at (2k + 1) / (2 delay), Master Handbook of Acoustics, pages 188 to 202.

    Printed there are 0.1 and 1 ms; the other rows are own arithmetic.
    """
    curve = comb(delay_ms / 1000)
    assert at(curve, nulls).max() < NULL_DB
    # Nulls less than 100 Hz apart are beyond an analysis window of 85 ms.
    if delay_ms <= 10:
        np.testing.assert_allclose(curve.notches_hz, nulls, rtol=1e-12)


@pytest.mark.parametrize(
    ("delay_ms", "spacing_hz"),
    [(0.1, 10_000), (0.5, 2000), (1, 1000), (2, 500), (8, 125), (10, 100), (50, 20)],
)
def test_comb_peaks_between_the_nulls(delay_ms: float, spacing_hz: float) -> None:
    """Peaks of 6.02 dB at k / delay, as far apart as the nulls.

    Master Handbook of Acoustics, pages 188 to 202, which prints the spacings of 0.1, 1
    and 8 ms; the others are own arithmetic.
    """
    curve = comb(delay_ms / 1000)
    peaks = at(curve, [0, spacing_hz, 2 * spacing_hz])
    np.testing.assert_allclose(np.round(peaks, 2), 6.02)
    assert peaks.max() == curve.level_db.max() + EQUAL_DB
    if delay_ms <= 10:
        np.testing.assert_allclose(np.diff(curve.notches_hz), spacing_hz, rtol=1e-12)


@pytest.mark.parametrize(
    ("inches", "delay_ms", "first_hz"),
    [(0.7, 0.1, 5000), (3.4, 0.5, 1000), (6.75, 1.0, 500)],
)
def test_microphone_before_a_reflecting_surface(
    inches: float, delay_ms: float, first_hz: float
) -> None:
    """Master Handbook of Acoustics, pages 188 to 202, to its printed digits.

    There and back at its 1130 ft/s.
    """
    delay_s = 2 * inches / 12 / 1130
    assert delay_s * 1000 == pytest.approx(delay_ms, rel=0.04)
    assert comb(delay_s).notches_hz[0] == pytest.approx(first_hz, rel=0.04)


def test_three_times_as_far_is_9_54_db() -> None:
    """Inverse square law, 20 log10 3: by the table above +2.5 and -3.5 dB of ripple."""
    gain_db = -20 * np.log10(3)
    peak, dip = (sum_curve(tones(0), gain_db=gain_db, polarity=p) for p in (1, -1))
    assert (round(level_db(peak), 2), round(level_db(dip), 2)) == (2.50, -3.52)


@pytest.mark.parametrize("count", [2, 3, 4, 10])
def test_equal_unrelated_sounds_add_10_log_n(count: int) -> None:
    """Powers of unrelated sounds add: N of one level are 10 log10 N dB, no loss."""
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
    """Own arithmetic: half the rate over the samples."""
    assert comb(samples / RATE_HZ).notches_hz[0] == pytest.approx(first_hz)


def test_inverted_comb_swaps_peaks_and_notches() -> None:
    """With one path inverted the first null is at 0 Hz: the comb's own formula."""
    curve = comb(0.001, polarity=-1)
    assert at(curve, [0, 1000, 2000]).max() < NULL_DB
    # A notch has two sides; 0 Hz has one.
    np.testing.assert_allclose(curve.notches_hz, [1000, 2000, 3000])
    np.testing.assert_allclose(np.round(at(curve, [500, 1500, 2500]), 2), 6.02)


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
    expected = 20 * np.log10(np.abs(1 + np.exp(-2j * np.pi * curve.freq_hz * 0.0005)))
    expected -= EQUAL_DB
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
    """Own arithmetic of |cos(pi f t)| for 13 and 25 mm, to 0.1 dB."""
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
