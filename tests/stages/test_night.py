"""What only the night shows: warm-up and swapped microphones; planted truth."""

import numpy as np
import pytest
from scipy import stats

from pipeline.models.record import (
    Capture,
    Curves,
    LoudnessResult,
    Place,
)
from pipeline.stages.night import _slope, judge_night, warm_up

BANDS = 30


def one(
    number: int,
    *,
    level: float = -20.0,
    colour: np.ndarray | None = None,
    channel: int = 1,
) -> Capture:
    """A capture of pass `number` with a level and a spectrum."""
    levels = np.zeros(BANDS) if colour is None else colour
    return Capture.model_validate(
        {
            "id": f"p{number}-{channel}",
            "file": "x.wav",
            "channel": channel,
            "pass": f"p{number}",
            "setup": "low",
            "mic": f"m{channel}",
            "place": Place(distance_mm=25.0),
            "status": "ok",
            "loudness": LoudnessResult(
                source_lufs=level,
                gain_db=0.0,
                lufs=-23.0,
                lra_lu=None,
                max_momentary_lufs=None,
                max_short_term_lufs=None,
                true_peak_dbtp=None,
            ),
            "metrics": {"brightness_hz": 1000.0 * 2 ** (0.02 * number)},
            "curves": Curves(
                third_octave_db=tuple(levels.tolist()),
                erb_db=(),
                smooth_db=(),
                coherence=(),
                levels=(),
                envelope=(),
            ),
        }
    )


def test_a_rising_level_is_a_warming_amplifier() -> None:
    rng = np.random.default_rng(0)
    row = [one(n, level=-24 + 0.3 * n + 0.05 * rng.normal()) for n in range(10)]
    (trend,) = warm_up(row)
    # Truth: 0.3 dB a capture over nine steps; 0.02 octaves a capture.
    assert trend.level_db == pytest.approx(2.7, abs=0.2)
    assert trend.brightness_octaves == pytest.approx(0.18, abs=1e-6)
    found = judge_night(row)
    assert list(found) == ["p9-1"]
    assert found["p9-1"][0].severity == "note"
    level, brightness = found["p9-1"][0].evidence.lines
    assert level.y[-1] == pytest.approx(2.7, abs=0.2)
    # 0.02 octaves a capture are 0.24 semitones.
    assert brightness.y[-1] == pytest.approx(9 * 0.24, abs=0.02)


@pytest.mark.parametrize("seed", range(20))
def test_random_levels_are_no_trend(seed: int) -> None:
    rng = np.random.default_rng(seed)
    row = [one(n, level=-20 + 1.5 * rng.normal()) for n in range(12)]
    assert judge_night(row) == {}


def colours(seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    tilt = np.linspace(6, -6, BANDS)
    return tilt + rng.normal(size=BANDS), -tilt + rng.normal(size=BANDS)


def test_swapped_cables_show_in_both_channels() -> None:
    a, b = colours(1)
    night = [one(1, colour=a), one(1, colour=b, channel=2)]
    night += [one(2, colour=b + 0.3), one(2, colour=a - 1.0, channel=2)]
    found = judge_night(night)
    assert set(found) == {"p2-1", "p2-2"}
    assert found["p2-1"][0].code == "swapped"
    assert "'p1-2'" in found["p2-1"][0].message
    lines = {line.name: np.array(line.y) for line in found["p2-1"][0].evidence.lines}
    # Truth: channel 1 of the second pass is b, channel 2 of the first was b.
    assert np.ptp(lines["capture"] - lines["other"]) < 0.1
    assert np.ptp(lines["capture"] - lines["same"]) > 5.0


def test_the_same_or_other_microphones_are_not_swapped() -> None:
    a, b = colours(2)
    c, d = colours(3)
    first = [one(1, colour=a), one(1, colour=b, channel=2)]
    same = [one(2, colour=a + 2.0), one(2, colour=b - 1.0, channel=2)]
    other = [one(3, colour=c[::-1] * 2), one(3, colour=d * 0.2, channel=2)]
    assert judge_night([*first, *same, *other]) == {}


def test_the_slope_is_scipys_theil_sen_estimator():
    levels = np.random.default_rng(5).normal(size=17).cumsum()
    expected = stats.theilslopes(levels, np.arange(17)).slope
    assert _slope(levels) == pytest.approx(expected, rel=1e-12)
