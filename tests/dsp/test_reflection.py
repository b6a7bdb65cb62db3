"""The floor's reflection, predicted and measured.

Authorities: own arithmetic of the image source (c = 343.2 m/s), the examples in feet
of the Master Handbook of Acoustics, page 197, pyroomacoustics' image-source model, and
truth by construction.
"""

import numpy as np
import pytest

from pipeline.dsp.reflection import floor_reflection, measure_reflection

RATE_HZ = 48_000
FOOT_MM = 304.8

# Own arithmetic: direct sqrt(d^2 + (s - m)^2), reflected sqrt(d^2 + (s + m)^2).
# Speaker height, microphone height, distance in m; ms, samples, notch Hz, level dB.
IMAGE_SOURCES = [
    (0.3, 0.3, 0.3, 1.0805, 51.86, 462.8, -6.99),
    (0.5, 0.5, 1.0, 1.2069, 57.93, 414.3, -3.01),
    (1.0, 1.0, 2.0, 2.4138, 115.86, 207.1, -3.01),
    (0.4, 1.2, 1.5, 1.4370, 68.97, 348.0, -2.21),
    (1.0, 1.0, 0.025, 5.7551, 276.25, 86.9, -38.06),
]


def comb_db(freq_hz: np.ndarray, delay_ms: float, gain: float) -> np.ndarray:
    """Master Handbook of Acoustics, pages 188 to 202: a sound and a late copy of it."""
    turn = np.cos(2 * np.pi * freq_hz * delay_ms / 1000)
    return 10 * np.log10(1 + 2 * gain * turn + gain**2)


@pytest.mark.parametrize(
    ("speaker", "mic", "distance", "ms", "samples", "notch", "level"), IMAGE_SOURCES
)
def test_image_source_table(
    speaker: float,
    mic: float,
    distance: float,
    ms: float,
    samples: float,
    notch: float,
    level: float,
) -> None:
    """Tabulated with c = 343.2; ours is 343.215 at 20 C, hence 1e-4 relative."""
    found = floor_reflection(speaker * 1000, mic * 1000, distance * 1000)
    assert found.delay_ms == pytest.approx(ms, rel=1e-4)
    assert found.delay_samples(RATE_HZ) == pytest.approx(samples, rel=2e-4)
    assert found.first_notch_hz == pytest.approx(notch, abs=0.07)
    assert round(found.level_db, 2) == level


@pytest.mark.parametrize(
    ("height", "distance"),
    [(300, 50), (300, 150), (300, 300), (450, 300), (450, 1000), (650, 2000)],
)
def test_first_null_and_ripple_by_height(height: float, distance: float) -> None:
    """The comb of direct and mirrored sound, drawn: its first dip, and half its swing.

    The grid of 0.05 Hz holds dip and peak to 0.03 Hz, where both curves are flat.
    """
    mirrored = np.hypot(distance, 2 * height)
    freq_hz = np.arange(0, 1200, 0.05)
    drawn = comb_db(freq_hz, (mirrored - distance) / 343.215, distance / mirrored)
    found = floor_reflection(height, height, distance)
    dip = freq_hz[np.argmin(drawn[freq_hz < 1.5 * found.first_notch_hz])]
    assert found.first_notch_hz == pytest.approx(dip, abs=0.05)
    assert found.ripple_db == pytest.approx(np.ptp(drawn) / 2, abs=0.001)


def test_handbook_examples_in_feet() -> None:
    """Master Handbook of Acoustics, page 197: floor path 10.1 ft, rounded to a decibel.

    Direct 1 ft: -20 dB, negligible; 4 ft: -8 dB, marginal.
    """
    for path_ft, direct_ft, level, matters in (
        (10.1, 1.0, -20, False),
        (10.1, 4.0, -8, True),
    ):
        height = np.sqrt(path_ft**2 - direct_ft**2) / 2 * FOOT_MM
        found = floor_reflection(height, height, direct_ft * FOOT_MM)
        assert round(found.level_db) == level
        assert found.matters is matters


def test_absorption_takes_its_share_of_the_power() -> None:
    bare = floor_reflection(300, 300, 300)
    half = floor_reflection(300, 300, 300, absorption=0.5)
    assert half.level_db - bare.level_db == pytest.approx(-3.01, abs=0.005)
    assert floor_reflection(300, 300, 300, absorption=1.0).level_db == -300.0
    assert not floor_reflection(300, 300, 300, absorption=1.0).matters


@pytest.mark.parametrize(
    ("heights", "distance"), [((300, 300), 300), ((400, 1200), 1500), ((650, 650), 900)]
)
def test_against_an_image_source_library(
    heights: tuple[int, int], distance: int
) -> None:
    """pyroomacoustics, one reflection, only the floor reflects.

    Its image sources are compared; the constant delay that its rendered paths
    carry would cancel in the difference.
    """
    import pyroomacoustics as pra

    dead = pra.Material(1.0)
    walls = dict.fromkeys(["east", "west", "north", "south", "ceiling"], dead)
    room = pra.ShoeBox(
        [12, 12, 9],
        fs=RATE_HZ,
        max_order=1,
        materials=walls | {"floor": pra.Material(0.19)},
    )
    room.add_source([5, 6, heights[0] / 1000])
    room.add_microphone([5 + distance / 1000, 6, heights[1] / 1000])
    room.image_source_model()
    source = room.sources[0]
    ways = np.linalg.norm(source.images - room.mic_array.R, axis=0)
    strength = source.damping.ravel() / ways
    heard = [index for index in np.argsort(ways) if abs(strength[index]) > 1e-9]
    assert len(heard) == 2
    direct, floor = heard
    found = floor_reflection(*heights, distance, absorption=0.19)
    samples = (ways[floor] - ways[direct]) / pra.constants.get("c") * RATE_HZ
    # The library's speed of sound is 343 m/s, ours 343.215 at 20 C.
    assert found.delay_samples(RATE_HZ) == pytest.approx(samples, rel=7e-4)
    level = 20 * np.log10(strength[floor] / strength[direct])
    assert found.level_db == pytest.approx(level, abs=0.01)


@pytest.mark.parametrize("gain", [0.1, 0.3, 0.6, -0.4])
@pytest.mark.parametrize("delay_ms", [0.6, 1.1, 2.4])
def test_measured_reflection_of_a_coloured_response(
    gain: float, delay_ms: float
) -> None:
    """Truth by construction: a comb on a sloping, noisy response.

    The grid of delays is 4 to 9 us wide, the noise 0.3 dB.
    """
    rng = np.random.default_rng(round(100 * delay_ms))
    freq_hz = np.arange(20.0, 12_000.0, 11.7)
    comb = comb_db(freq_hz, delay_ms, gain)
    colour = -6 * np.log2(1 + freq_hz / 3000) + 2 * np.sin(np.log(freq_hz))
    level = comb + colour + 0.3 * rng.standard_normal(freq_hz.size)
    found = measure_reflection(freq_hz, level, delay_ms * 1.1)
    assert found is not None
    assert found.reflection.delay_ms == pytest.approx(delay_ms, abs=0.02)
    assert found.reflection.level_db == pytest.approx(20 * np.log10(abs(gain)), abs=1)
    assert found.inverted is (gain < 0)
    assert found.confidence > 0.5


def test_treated_against_untreated() -> None:
    """Truth by construction: the difference of passes cancels the rig's colour."""
    freq_hz = np.arange(20.0, 12_000.0, 11.7)
    bare = comb_db(freq_hz, 1.1, 0.4)
    treated = comb_db(freq_hz, 1.1, 0.1)
    found = measure_reflection(freq_hz, bare - treated, 1.0)
    assert found is not None
    assert found.reflection.delay_ms == pytest.approx(1.1, abs=0.01)
    # What was taken away is near 0.4 - 0.1.
    assert found.reflection.level_db == pytest.approx(20 * np.log10(0.3), abs=1)


def test_no_reflection_no_claim() -> None:
    """Noise alone is explained by no comb."""
    freq_hz = np.arange(20.0, 12_000.0, 11.7)
    noise = 0.5 * np.random.default_rng(3).standard_normal(freq_hz.size)
    found = measure_reflection(freq_hz, noise, 1.0)
    assert found is None or found.confidence < 0.1
    assert measure_reflection(freq_hz, np.zeros(freq_hz.size), 1.0) is None
    assert measure_reflection(freq_hz, noise, 0.05) is None


def test_refusals() -> None:
    with pytest.raises(ValueError, match="must be positive"):
        floor_reflection(300, 300, 0)
    with pytest.raises(ValueError, match=r"0\.\.1"):
        floor_reflection(300, 300, 300, absorption=1.5)
    with pytest.raises(ValueError, match="must be positive"):
        measure_reflection(np.arange(9.0), np.zeros(9), 0.0)
    with pytest.raises(ValueError, match="32 points"):
        measure_reflection(np.arange(9.0) * 100, np.zeros(9), 1.0)
