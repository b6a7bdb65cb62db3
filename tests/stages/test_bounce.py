"""The floor's reflection in words and figures: truth by construction."""

import numpy as np
import pytest

from pipeline.dsp.spectrum import bin_frequencies
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


def test_what_a_treatment_takes_away_is_told_with_its_ripple():
    """Truth by construction: 1 + 0.2 e^-jwt less 1 + 0.05 e^-jwt, 1.119 ms late."""
    freq = bin_frequencies(48_000)
    freq = freq[_band(freq)]
    turn = np.exp(-2j * np.pi * freq * 1.119e-3)
    bare, treated = (
        (20 * np.log10(np.abs(1 + gain * turn))).astype(np.float32)
        for gain in (0.2, 0.05)
    )
    found = describe_reflection(
        "bare", ROOM_MIC, bare, sample_rate_hz=48_000, against=("rug", treated)
    )
    # To first order 0.15 is left: -16.5 dB, and 20 log10(1.15 / 0.85) / 2 = 1.31 dB.
    assert found.measured_level_db == pytest.approx(-16.5, abs=0.3)
    assert found.measured_notch_hz == pytest.approx(500 / 1.119, rel=0.02)
    assert "Between bare and rug, whose treatment differs" in found.message
    assert "+-1.3 dB, that matters" in found.message


def test_a_treatment_that_changes_nothing_is_told():
    flat = np.zeros(np.count_nonzero(_band(bin_frequencies(48_000))), np.float32)
    found = describe_reflection(
        "bare", ROOM_MIC, flat, sample_rate_hz=48_000, against=("rug", flat)
    )
    assert found.measured_level_db is None
    assert "Between bare and rug no difference of that kind shows." in found.message


def _band(freq: np.ndarray) -> np.ndarray:
    return (freq >= 150.0) & (freq <= 6000.0)


def test_a_treated_pass_says_more_than_another_mic():
    found = described(Heard("close", 1.2, -4.0), against=("treated", NOTHING))
    assert (found.measured_delay_ms, found.against) == (None, "treated")
