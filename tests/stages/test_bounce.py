"""The floor's reflection in words and figures: truth by construction."""

import numpy as np
import pytest

from pipeline.stages.bounce import Heard, Stand, describe_reflection

# Image source, both 0.57 m up, 1.5 m apart: 1.8840 - 1.5 m at 343.2 m/s.
ROOM_MIC = Stand(570.0, 570.0, 1500.0, 20.0)
EXPECTED_MS = 1.119
NOTHING = np.zeros(0, dtype=np.float32)


def described(echo: Heard | None, against=None):
    return describe_reflection(
        "room", ROOM_MIC, NOTHING, sample_rate_hz=48_000, against=against, echo=echo
    )


def test_another_mic_of_the_pass_shows_what_comes_when_the_floor_should():
    found = described(Heard("close", 1.2, -4.0))
    assert found.predicted_delay_ms == pytest.approx(EXPECTED_MS, abs=0.001)
    assert (found.measured_delay_ms, found.measured_level_db) == (1.2, -4.0)
    assert found.against == "close"


def test_a_reflection_at_another_time_is_not_the_floors():
    found = described(Heard("close", 0.4, -4.0))
    assert (found.measured_delay_ms, found.against) == (None, None)


def test_a_treated_pass_says_more_than_another_mic():
    found = described(Heard("close", 1.2, -4.0), against=("treated", NOTHING))
    assert (found.measured_delay_ms, found.against) == (None, "treated")
