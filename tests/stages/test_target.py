"""One level for all, under the ceiling: truth by the linearity of gain (R 128)."""

import numpy as np
import pytest

from pipeline.dsp.loudness import loudness_cells
from pipeline.errors import ReampsError
from pipeline.stages.target import Level, decide_target


def level(amplitude, peak_dbtp):
    t = np.arange(48_000 * 5) / 48_000
    tone = amplitude * np.sin(2 * np.pi * 997 * t)
    return Level(loudness_cells(tone, 48_000), peak_dbtp)


def test_the_wanted_target_holds_where_it_fits():
    # A 997 Hz sine at 0 dBFS reads -3.01 LKFS: BS.1770 Annex 1.
    target = decide_target({"a": level(0.1, -20.0)}, -23.0, -1.0)
    assert target.effective_target_lufs == -23.0
    assert target.lowered_for is None


def test_one_peaky_capture_lowers_all():
    # At -23.01 LUFS with peaks at -2 dBTP, -18 LUFS would need +5.01 dB: 3.01 dBTP.
    # The ceiling of -1 dBTP allows +1 dB, so the target becomes -22.01.
    levels = {"calm": level(0.1, -20.0), "peaky": level(0.1, -2.0)}
    target = decide_target(levels, -18.0, -1.0)
    assert target.effective_target_lufs == pytest.approx(-22.01, abs=0.01)
    assert target.lowered_for == "peaky"


def test_silence_decides_nothing():
    silent = Level(loudness_cells(np.zeros(48_000), 48_000), -300.0)
    assert decide_target({"s": silent}, -23.0, -1.0).effective_target_lufs == -23.0


@pytest.mark.parametrize("peak_dbtp", [36.5, 60.0])
def test_no_level_is_decided_at_which_loudness_is_undefined(peak_dbtp):
    # At -23.01 LUFS, a ceiling of -1 dBTP leaves -60.51 LUFS beside the first peak,
    # and -84 LUFS, under the absolute gate of -70 (BS.1770), beside the second.
    levels = {"calm": level(0.1, -20.0), "crack": level(0.1, peak_dbtp)}
    with pytest.raises(ReampsError, match=r"crack: .*quieter than -60 LUFS"):
        decide_target(levels, -23.0, -1.0)


def test_a_low_level_is_decided_where_it_must():
    # 35.5 dB of peak take the target to -59.5 LUFS.
    target = decide_target({"crack": level(0.1, 35.5)}, -23.0, -1.0)
    assert target.effective_target_lufs == pytest.approx(-59.5, abs=0.02)
