"""Sums of three and more microphones, and the gains nearest to a wanted tone.

Truth by construction: random sounds whose sum is computed sample by sample.
"""

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.mix import (
    MixPart,
    gather_pairs,
    nearest_gains,
    sum_curve,
    sum_of_several,
)
from pipeline.dsp.pairs import PairSpectra
from pipeline.dsp.spectrum import (
    PowerSpectrum,
    average_spectrum,
    erb_band_levels,
)

RATE_HZ = 48_000
SIZE = 4096


def frames(sound: np.ndarray) -> np.ndarray:
    """Spectra of Hann-windowed frames, overlapped by half."""
    window = np.hanning(SIZE + 1)[:-1]
    starts = range(0, sound.size - SIZE + 1, SIZE // 2)
    return np.array([np.fft.rfft(window * sound[k : k + SIZE]) for k in starts])[:, 1:]


def pair(a: np.ndarray, b: np.ndarray) -> PairSpectra:
    freq_hz = np.arange(1, SIZE // 2 + 1) * RATE_HZ / SIZE
    x, y = frames(a), frames(b)
    return PairSpectra(
        freq_hz,
        np.mean(np.abs(x) ** 2, axis=0),
        np.mean(np.abs(y) ** 2, axis=0),
        np.mean(x.conj() * y, axis=0),
    )


def trio(seed: int, late: tuple[int, int]) -> list[np.ndarray]:
    """One sound by three colours, two of them late, each with its own noise."""
    rng = np.random.default_rng(seed)
    sound = rng.standard_normal(8 * RATE_HZ)
    colours = [
        signal.butter(1, hz, fs=RATE_HZ) for hz in rng.uniform(1500, 9000, size=3)
    ]
    heard = [signal.lfilter(*colour, sound) for colour in colours]
    heard = [np.roll(x, n) for x, n in zip(heard, (0, *late), strict=True)]
    return [x + 0.05 * rng.standard_normal(x.size) for x in heard]


def all_pairs(sounds: list[np.ndarray]) -> dict[tuple[int, int], PairSpectra]:
    count = len(sounds)
    return {
        (i, j): pair(sounds[i], sounds[j])
        for i in range(count)
        for j in range(i + 1, count)
    }


def loss_by_samples(parts: list[np.ndarray]) -> float:
    """The definition: third octaves of IEC 61260-1, 80 Hz to 8 kHz."""

    def bands(x: np.ndarray) -> np.ndarray:
        power = np.abs(np.fft.rfft(x)) ** 2
        hz = np.arange(power.size) * RATE_HZ / x.size
        centres = 1000.0 * 10.0 ** (np.arange(-11, 10) / 10.0)
        edge = 10**0.05
        return np.array(
            [power[(hz >= c / edge) & (hz < c * edge)].sum() for c in centres]
        )

    power = np.sum([bands(x) for x in parts], axis=0)
    loss = 10 * np.log10(power / bands(np.sum(parts, axis=0)))
    return float(np.average(loss, weights=power))


@pytest.mark.parametrize("seed", [3, 17])
@pytest.mark.parametrize("late", [(11, 40), (3, 90)])
def test_the_loss_of_three_is_that_of_their_samples(
    seed: int, late: tuple[int, int]
) -> None:
    sounds = trio(seed, late)
    spectra = gather_pairs(all_pairs(sounds), 3)
    assert spectra is not None
    gains, signs = (0.0, -3.0, 2.0), (1, -1, 1)
    scaled = [
        sign * 10 ** (gain / 20) * x
        for x, gain, sign in zip(sounds, gains, signs, strict=True)
    ]
    placed = [MixPart(g, s, 0.0) for g, s in zip(gains, signs, strict=True)]
    aligned = [
        MixPart(g, s, n / RATE_HZ)
        for g, s, n in zip(gains, signs, (0, *late), strict=True)
    ]
    moved = [np.roll(x, -n) for x, n in zip(scaled, (0, *late), strict=True)]
    # Frames are windowed: a narrow third octave at the low end holds two bins.
    for parts, heard in ((placed, scaled), (aligned, moved)):
        found = sum_of_several(spectra, parts).sum_loss_db
        assert found == pytest.approx(loss_by_samples(heard), abs=0.1)


def test_three_equal_ones_in_step_gain_10_log_3() -> None:
    """Own arithmetic: N in step are 20 log10 N, unrelated 10 log10 N."""
    sound = np.random.default_rng(2).standard_normal(2 * RATE_HZ)
    spectra = gather_pairs(all_pairs([sound] * 3), 3)
    assert spectra is not None
    curve = sum_of_several(spectra, [MixPart(0.0, 1, 0.0)] * 3)
    np.testing.assert_allclose(curve.level_db, 4.771, atol=1e-3)
    assert round(curve.sum_loss_db, 2) == -4.77


def test_of_two_it_is_the_sum_of_a_pair() -> None:
    a, b, _ = trio(5, (9, 9))
    spectra = gather_pairs({(0, 1): pair(a, b)}, 2)
    assert spectra is not None
    several = sum_of_several(
        spectra, [MixPart(0.0, 1, 0.0), MixPart(-4.0, -1, 9 / RATE_HZ)]
    )
    two = sum_curve(pair(a, b), gain_db=-4.0, polarity=-1, advance_s=9 / RATE_HZ)
    np.testing.assert_allclose(several.level_db, two.level_db, atol=1e-9)
    assert several.notches_hz == two.notches_hz


def test_what_was_not_paired_is_unrelated_or_unknown() -> None:
    a, b, c = trio(8, (0, 0))
    pairs = all_pairs([a, b, c])
    assert gather_pairs({(0, 1): pairs[0, 1]}, 3) is None
    spectra = gather_pairs({(0, 1): pairs[0, 1], (1, 2): pairs[1, 2]}, 3)
    assert spectra is not None
    # Without its middle one, two that were never paired neither help nor cost.
    parts = [MixPart(0.0, 1, 0.0), MixPart(-200.0, 1, 0.0), MixPart(0.0, 1, 0.0)]
    assert sum_of_several(spectra, parts).sum_loss_db == pytest.approx(0, abs=1e-6)
    with pytest.raises(ValueError, match="3 microphones, but 1 parts"):
        sum_of_several(spectra, [MixPart(0.0, 1, 0.0)])


def levels(sound: np.ndarray) -> np.ndarray:
    playing = np.ones(sound.size // (RATE_HZ // 20), dtype=bool)
    spectrum = average_spectrum(sound, RATE_HZ, playing)
    assert isinstance(spectrum, PowerSpectrum)
    return erb_band_levels(spectrum)


def mixed(sounds: list[np.ndarray], gains_db: tuple[float, ...]) -> np.ndarray:
    return np.sum(
        [10 ** (g / 20) * x for g, x in zip(gains_db, sounds, strict=True)], axis=0
    )


def loudness(sound: np.ndarray) -> float:
    """By the tables of BS.1770 Annex 1, without gates, dB."""
    shelf = (1.53512485958697, -2.69169618940638, 1.19839281085285)
    sos = [
        [*shelf, 1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
    return float(10 * np.log10(np.mean(signal.sosfilt(sos, sound) ** 2)))


def distance(sound: np.ndarray, wanted: np.ndarray) -> float:
    """RMS difference over the bands at one loudness, from the samples."""
    off = levels(sound) - levels(wanted) - (loudness(sound) - loudness(wanted))
    return float(np.sqrt(np.mean(off**2)))


@pytest.mark.parametrize("seed", [1, 6, 9])
@pytest.mark.parametrize("late", [(0, 0), (7, 60), (21, 3)])
@pytest.mark.parametrize("gains", [(0.0, -6.0, 5.0), (0.0, 3.5, -11.0)])
def test_a_sum_that_can_be_reached_is_reached(
    seed: int, late: tuple[int, int], gains: tuple[float, float, float]
) -> None:
    """The wanted tone is a sum of the same three at another level."""
    sounds = trio(seed, late)
    wanted = 0.2 * mixed(sounds, gains)
    spectra = gather_pairs(all_pairs(sounds), 3)
    assert spectra is not None
    found = nearest_gains(
        spectra,
        [MixPart(0.0, 1, 0.0)] * 3,
        np.array([levels(x) for x in sounds]),
        levels(wanted),
    )
    # Half a step of the search is 0.25 dB of one part; colours that are alike leave
    # the gains themselves open, but not the sum.
    assert distance(mixed(sounds, found.gains_db), wanted) < 0.25
    if late == (7, 60):
        assert found.gains_db == pytest.approx(gains, abs=1.0)


def test_no_gain_on_the_grid_is_nearer() -> None:
    """A slow twin tries every gain of a pair by summing samples."""
    a, b, _ = trio(12, (14, 0))
    other = signal.lfilter(
        *signal.butter(1, 2500, fs=RATE_HZ),
        np.random.default_rng(99).standard_normal(a.size),
    )
    spectra = gather_pairs({(0, 1): pair(a, b)}, 2)
    assert spectra is not None
    best = nearest_gains(
        spectra,
        [MixPart(0.0, 1, 0.0)] * 2,
        np.array([levels(a), levels(b)]),
        levels(other),
    )
    tried = [
        distance(mixed([a, b], (0.0, gain)), other) for gain in np.arange(-24, 25, 2.0)
    ]
    reached = distance(mixed([a, b], best.gains_db), other)
    # The minimum is flat: what was found is as near as the nearest that was tried.
    assert reached <= min(tried) + 0.02
    assert best.distance_db == pytest.approx(reached, abs=0.15)


def test_what_cannot_be_searched_is_refused() -> None:
    a, b, _ = trio(4, (0, 0))
    spectra = gather_pairs({(0, 1): pair(a, b)}, 2)
    assert spectra is not None
    even = [MixPart(0.0, 1, 0.0)] * 2
    with pytest.raises(ValueError, match="two to 5 microphones"):
        nearest_gains(spectra, even[:1], np.zeros((1, 38)), np.zeros(38))
    with pytest.raises(ValueError, match="2 rows of 38 levels"):
        nearest_gains(spectra, even, np.zeros((2, 30)), np.zeros(38))
