"""Sound in air: the usual formula for its speed, then plain division, to the digit."""

import pytest

from pipeline.dsp.reflection import Reflection
from pipeline.units import mm_from_samples, speed_of_sound_m_s

# 331.3 sqrt(1 + T / 273.15) m/s, as on public tables of dry air.
SPEEDS = [
    *[(0, 331.300), (10, 337.310), (15, 340.275), (20, 343.215)],
    *[(25, 346.129), (30, 349.019), (35, 351.886)],
]

# A way in mm, what it lasts in samples at 44.1, 48 and 96 kHz, and the first hole that
# it cuts in Hz, all at c = 343.2 m/s by plain division.
WAYS = [
    (1, (0.1285, 0.1399, 0.2797), 171_600),
    (5, (0.6425, 0.6993, 1.3986), 34_320),
    (10, (1.2850, 1.3986, 2.7972), 17_160),
    (25, (3.2124, 3.4965, 6.9930), 6_864),
    (50, (6.4248, 6.9930, 13.9860), 3_432),
    (100, (12.8497, 13.9860, 27.9720), 1_716),
    (150, (19.2745, 20.9790, 41.9580), 1_144),
    (300, (38.5490, 41.9580, 83.9161), 572),
    (343.2, (44.1000, 48.0000, 96.0000), 500),
    (500, (64.2483, 69.9301, 139.8601), 343.2),
    (1000, (128.4965, 139.8601, 279.7203), 171.6),
]
RATES_HZ = (44_100, 48_000, 96_000)


@pytest.mark.parametrize(("celsius", "speed"), SPEEDS)
def test_speed_of_sound(celsius: float, speed: float) -> None:
    assert round(speed_of_sound_m_s(celsius), 3) == speed


@pytest.mark.parametrize(("mm", "samples", "notch_hz"), WAYS)
def test_a_way_in_samples_and_the_hole_that_it_cuts(
    mm: float, samples: tuple[float, float, float], notch_hz: float
) -> None:
    # The tables round the speed at 20 C, 343.215 m/s, to 343.2.
    celsius = ((343.2 / 331.3) ** 2 - 1) * 273.15
    for rate_hz, count in zip(RATES_HZ, samples, strict=True):
        one = mm_from_samples(1.0, rate_hz, celsius)
        assert round(mm / one, 4) == count
        late = Reflection(delay_ms=1000 * mm / one / rate_hz, level_db=0.0)
        assert late.first_notch_hz == pytest.approx(notch_hz, rel=1e-9)


@pytest.mark.parametrize(
    ("rate_hz", "mm"),
    [(44_100, 7.782), (48_000, 7.150), (88_200, 3.891), (96_000, 3.575)],
)
def test_one_sample_of_air(rate_hz: int, mm: float) -> None:
    # Handbooks' 343.2 m/s is 343.215 at 20 C: half a thousandth of a millimetre.
    assert mm_from_samples(1.0, rate_hz) == pytest.approx(mm, abs=0.0009)
    assert mm_from_samples(-1.0, rate_hz) == -mm_from_samples(1.0, rate_hz)
