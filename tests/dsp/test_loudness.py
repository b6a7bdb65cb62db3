"""Loudness against the published signals and values of the standards.

BS.1770 is Rec. ITU-R BS.1770-5 (11/2023), Tech 3341 and 3342 are EBU documents
v4 (Nov 2023). Signals are synthesised from their definitions. Tight values were
computed from the standard's own tables and formulas, independently of this
package, and are held to 0.01 LU beside the official tolerance of 0.1 LU.
"""

import numpy as np
import pyloudnorm
import pytest
from scipy.signal import sosfreqz

from pipeline.dsp.kweighting import k_weighting_db
from pipeline.dsp.loudness import (
    Loudness,
    k_weighting_sections,
    loudness_cells,
    loudness_range,
)

FS = 48_000
OFFICIAL_LU = 0.1
TIGHT_LU = 0.01


def tone(parts, fs=FS, hz=1000.0, channels=2):
    """Stereo sine of (seconds, peak dBFS) parts; -inf is silence."""
    gain = np.concatenate([np.full(round(s * fs), 10 ** (db / 20)) for s, db in parts])
    x = gain * np.sin(2 * np.pi * hz * np.arange(len(gain)) / fs)
    return np.repeat(x[:, None], channels, axis=1)


def measured(x, fs):
    return loudness_cells(x, fs).loudness()


SILENT = -np.inf
CASES = {
    # Tech 3341 table 1, cases 1 to 5: signal, official value, tight value.
    1: ([(20, -23.0)], -23.0, -22.993),
    2: ([(20, -33.0)], -33.0, -32.993),
    3: ([(10, -36.0), (60, -23.0), (10, -36.0)], -23.0, -23.014),
    4: (
        [(10, -72.0), (10, -36.0), (60, -23.0), (10, -36.0), (10, -72.0)],
        -23.0,
        -23.014,
    ),
    5: ([(20, -26.0), (20.1, -20.0), (20, -26.0)], -23.0, -22.979),
}


@pytest.mark.parametrize("case", CASES)
def test_integrated_tech_3341_cases_1_to_5(case):
    parts, official, tight = CASES[case]
    got = measured(tone(parts), FS)
    assert got.integrated_lufs == pytest.approx(official, abs=OFFICIAL_LU)
    assert got.integrated_lufs == pytest.approx(tight, abs=TIGHT_LU)


@pytest.mark.parametrize("case", [1, 2])
def test_steady_tone_reads_the_same_on_every_scale_tech_3341(case):
    parts, official, _ = CASES[case]
    got = measured(tone(parts), FS)
    assert got.max_momentary_lufs == pytest.approx(official, abs=OFFICIAL_LU)
    assert got.max_short_term_lufs == pytest.approx(official, abs=OFFICIAL_LU)


# The same cases at 44.1 and 96 kHz; tight values as above.
@pytest.mark.parametrize(
    ("fs", "case", "tight"),
    [
        (44_100, 1, -22.991),
        (44_100, 5, -22.976),
        (96_000, 1, -23.011),
        (96_000, 5, -22.996),
    ],
)
def test_integrated_at_other_rates(fs, case, tight):
    parts, official, _ = CASES[case]
    got = measured(tone(parts, fs), fs)
    assert got.integrated_lufs == pytest.approx(official, abs=OFFICIAL_LU)
    assert got.integrated_lufs == pytest.approx(tight, abs=TIGHT_LU)


def test_five_channels_tech_3341_case_6():
    levels = [-28.0, -28.0, -24.0, -30.0, -30.0]
    x = np.hstack([tone([(20, db)], channels=1) for db in levels])
    got = measured(x, FS)
    assert got.integrated_lufs == pytest.approx(-23.0, abs=OFFICIAL_LU)
    assert got.integrated_lufs == pytest.approx(-23.016, abs=TIGHT_LU)


def test_short_term_tech_3341_case_9():
    x = tone([(1.34, -20.0), (1.66, -30.0)] * 5)
    # Constant after 3 s, so the maximum is the value.
    assert measured(x, FS).max_short_term_lufs == pytest.approx(-22.986, abs=TIGHT_LU)


@pytest.mark.parametrize("i", range(0, 20, 3))
def test_max_short_term_tech_3341_case_10(i):
    x = tone([(i * 0.15, SILENT), (3, -23.0), (1, SILENT)])
    got = measured(x, FS).max_short_term_lufs
    assert got == pytest.approx(-23.0, abs=OFFICIAL_LU)
    assert got == pytest.approx(-22.993, abs=TIGHT_LU)


@pytest.mark.parametrize("i", range(0, 20, 4))
def test_max_short_term_tech_3341_case_11(i):
    # One segment of the live signal at a time, since a file has one maximum.
    x = tone([(i * 0.15, SILENT), (3, -38.0 + i), (3 - i * 0.15, SILENT)])
    got = measured(x, FS).max_short_term_lufs
    assert got == pytest.approx(-38.0 + i, abs=OFFICIAL_LU)


def test_momentary_tech_3341_case_12():
    x = tone([(0.18, -20.0), (0.22, -30.0)] * 25)
    # After the first second, where the standard lets a meter settle.
    got = measured(x[FS:], FS).max_momentary_lufs
    assert got == pytest.approx(-23.0, abs=OFFICIAL_LU)
    assert measured(x, FS).max_momentary_lufs == pytest.approx(-22.9604, abs=0.02)


@pytest.mark.parametrize("i", range(20))
def test_max_momentary_tech_3341_case_13(i):
    x = tone([(i * 0.02, SILENT), (0.4, -23.0), (1, SILENT)])
    got = measured(x, FS).max_momentary_lufs
    assert got == pytest.approx(-23.0, abs=OFFICIAL_LU)
    assert got == pytest.approx(-22.994, abs=TIGHT_LU)


@pytest.mark.parametrize("i", range(0, 20, 4))
def test_max_momentary_tech_3341_case_14(i):
    x = tone([(i * 0.02, SILENT), (0.4, -38.0 + i), (0.4 - i * 0.02, SILENT)])
    got = measured(x, FS).max_momentary_lufs
    assert got == pytest.approx(-38.0 + i, abs=OFFICIAL_LU)


# Tech 3342 table 1, cases 1 to 4; official tolerance 1 LU, ours 0.02.
@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        ([-20.0, -30.0], 10.0),
        ([-20.0, -15.0], 5.0),
        ([-40.0, -20.0], 20.0),
        ([-50.0, -35.0, -20.0, -35.0, -50.0], 15.0),
    ],
)
def test_loudness_range_tech_3342(levels, expected):
    x = tone([(20, level) for level in levels])
    assert measured(x, FS).lra_lu == pytest.approx(expected, abs=0.02)


def test_loudness_range_by_hand():
    # -40, -39 ... -20: P10 is the 3rd value, P95 the 20th (phonometry's tests,
    # verified by hand).
    assert loudness_range(np.arange(-40.0, -19.0)) == pytest.approx(17.0)
    gated = np.concatenate([np.full(50, -90.0), np.full(50, -23.0)])
    assert loudness_range(gated) == 0.0
    assert loudness_range(np.full(9, -80.0)) is None


@pytest.mark.parametrize(
    ("hz", "peak_db", "expected"),
    [
        # BS.1770 Annex 1: a full-scale 997 Hz sine in one channel reads -3.01.
        (997.0, 0.0, -3.0103),
        # By the 48 kHz tables: 1 kHz is 0.007 dB higher.
        (1000.0, 0.0, -3.0036),
        (997.0, -20.0, -23.0103),
    ],
)
def test_anchor_of_a_sine_in_one_channel(hz, peak_db, expected):
    x = tone([(5, peak_db)], hz=hz, channels=1)[:, 0]
    assert measured(x, FS).integrated_lufs == pytest.approx(expected, abs=2e-3)


def test_polarity_and_second_channel():
    x = tone([(5, -20.0)], hz=997.0)
    x[:, 1] *= -1.0
    # Two channels add 3.01 LU, whatever their polarity (BS.1770 eq. 2).
    assert measured(x, FS).integrated_lufs == pytest.approx(-20.0, abs=2e-3)


def test_coefficients_are_the_tables_of_bs_1770_annex_1():
    head = [1.53512485958697, -2.69169618940638, 1.19839281085285]
    rlb = [1.0, -2.0, 1.0]
    feedback = [[-1.69065929318241, 0.73248077421585]]
    feedback += [[-1.99004745483398, 0.99007225036621]]
    sos = k_weighting_sections(48_000)
    np.testing.assert_allclose(sos[:, :3], [head, rlb], atol=1e-8)
    np.testing.assert_allclose(sos[:, 4:], feedback, atol=1e-8)


# Magnitudes of those tables in dB, evaluated independently.
K_MAGNITUDES = {
    20: -13.275, 25: -10.393, 31.5: -7.790, 40: -5.567, 50: -3.934, 63: -2.664,
    80: -1.732, 100: -1.134, 125: -0.728, 160: -0.435, 200: -0.265, 250: -0.153,
    315: -0.075, 400: -0.015, 500: 0.043, 630: 0.134, 800: 0.328, 997: 0.691,
    1000: 0.698, 1250: 1.342, 1600: 2.290, 2000: 3.071, 2500: 3.580, 3150: 3.848,
    4000: 3.968, 5000: 4.013, 6300: 4.032, 8000: 4.039, 10000: 4.042,
    16000: 4.043, 20000: 4.043,
}  # fmt: skip


@pytest.mark.parametrize(
    ("fs", "tolerance_db"),
    # BS.1770 asks for the same response at other rates without a tolerance; 0.05 dB
    # is what pre-warped bilinear transforms of the analogue filter reach at 192 kHz.
    [(48_000, 0.001), (44_100, 0.05), (88_200, 0.05), (96_000, 0.05), (192_000, 0.05)],
)
def test_k_weighting_magnitude(fs, tolerance_db):
    freq = np.array(list(K_MAGNITUDES))
    _, response = sosfreqz(k_weighting_sections(fs), worN=freq, fs=fs)
    magnitude = 20 * np.log10(np.abs(response))
    np.testing.assert_allclose(
        magnitude, list(K_MAGNITUDES.values()), atol=tolerance_db
    )


def test_k_weighting_level_is_that_of_the_tables():
    levels = k_weighting_db(np.array(list(K_MAGNITUDES), dtype=np.float64))
    np.testing.assert_allclose(levels, list(K_MAGNITUDES.values()), atol=0.001)


def test_white_noise_gains_3_829_db():
    # Mean power gain of the tables over a white spectrum, minus 0.691.
    x = np.random.default_rng(5).standard_normal(20 * FS) * 0.1
    assert measured(x, FS).integrated_lufs == pytest.approx(-16.86, abs=0.03)


@pytest.mark.parametrize("fs", [44_100, 48_000])
def test_independent_meter_agrees(fs):
    # pyloudnorm's own meter with the filter class that matches the standard.
    rng = np.random.default_rng(11)
    swell = np.interp(np.arange(12 * fs), [0, 4 * fs, 12 * fs], [0.003, 0.3, 0.02])
    x = rng.standard_normal(12 * fs) * swell
    twin = pyloudnorm.Meter(fs, filter_class="DeMan").integrated_loudness(x)
    assert measured(x, fs).integrated_lufs == pytest.approx(twin, abs=1e-6)


def test_single_precision_input_reads_the_same():
    x = np.random.default_rng(3).standard_normal(4 * FS) * 0.1
    single = measured(x.astype(np.float32), FS)
    assert single.integrated_lufs == pytest.approx(
        measured(x, FS).integrated_lufs, abs=1e-5
    )


@pytest.mark.parametrize(("frames", "defined"), [(19_199, False), (19_200, True)])
def test_one_block_is_the_least(frames, defined):
    # BS.1770 annex 1: blocks of 400 ms, an incomplete last one is dropped.
    x = tone([(1, -20.0)])[:frames]
    got = measured(x, FS).integrated_lufs
    assert (got is not None) == defined
    if defined:
        assert got == pytest.approx(-19.994, abs=TIGHT_LU)


def test_undefined_cases():
    nothing = Loudness(None, None, None, None)
    assert measured(np.zeros(5 * FS), FS) == nothing
    assert measured(np.zeros(0), FS) == nothing
    faint = measured(tone([(4, -80.0)]), FS)
    assert faint.integrated_lufs is None
    assert faint.max_momentary_lufs == pytest.approx(-80.0, abs=0.01)
    assert measured(tone([(2, -20.0)]), FS).lra_lu is None


def test_gain_moves_every_level_tech_3343():
    # T3343: static gain shifts M, S, I alike and leaves the range.
    x = tone([(4, -30.0), (4, -20.0)])
    louder = measured(x * 10 ** (-3.4 / 20), FS)
    base, moved = (loudness_cells(x, FS).loudness(gain) for gain in (0.0, -3.4))
    for key, shift in (
        ("integrated_lufs", -3.4),
        ("lra_lu", 0.0),
        ("max_momentary_lufs", -3.4),
        ("max_short_term_lufs", -3.4),
    ):
        expected = pytest.approx(getattr(base, key) + shift, abs=1e-9)
        assert getattr(louder, key) == expected
        assert getattr(moved, key) == expected


def test_gain_to_target_holds_where_quiet_blocks_cross_the_absolute_gate():
    # Playing at -65 LUFS, rests at -74: with the gain, the rests come above the
    # gate of -70 and shift the relative threshold.
    x = tone([(3, -65.0), (6, -74.0)] * 4)
    cells = loudness_cells(x, FS)
    gain = cells.gain_to(-23.0)
    reached = measured(x * 10 ** (gain / 20), FS).integrated_lufs
    assert reached == pytest.approx(-23.0, abs=1e-6)
    simple = -23.0 - cells.loudness().integrated_lufs
    assert abs(gain - simple) > 0.1


def test_gain_to_of_silence_and_of_too_low_a_target():
    assert loudness_cells(np.zeros(FS), FS).gain_to(-23.0) is None
    with pytest.raises(ValueError, match="above -60"):
        loudness_cells(np.zeros(FS), FS).gain_to(-60.0)


def test_refuses_what_it_cannot_measure():
    with pytest.raises(ValueError, match="not finite"):
        measured(np.full(FS, np.nan), FS)
    with pytest.raises(ValueError, match="channel weights"):
        measured(np.zeros((FS, 6)), FS)
    with pytest.raises(ValueError, match="8000"):
        measured(np.zeros(4000), 4000)
