"""Authority: causality, and what each construction promises about itself."""

import numpy as np
import pytest

from tests.scenes.amps import AMPS, driven

RATE = 48_000


def _burst() -> np.ndarray:
    rng = np.random.default_rng(5)
    sound = np.zeros(RATE)
    sound[2_000:] = 0.2 * rng.normal(size=RATE - 2_000)
    return sound


@pytest.mark.parametrize("name", AMPS)
@pytest.mark.parametrize("gain_db", [0.0, 45.0])
def test_nothing_comes_out_before_something_goes_in(name: str, gain_db: float) -> None:
    """Until the burst the output is that of silence; at the burst it moves."""
    quiet = AMPS[name](_burst(), RATE, np.random.default_rng(7), gain_db)
    later = _burst()
    later[30_000:] *= -0.3
    changed = AMPS[name](later, RATE, np.random.default_rng(7), gain_db)
    # The drive is set from the whole file's level, so compare shapes.
    scale = driven(later, 0.0)[2_000] / driven(_burst(), 0.0)[2_000]
    if abs(scale - 1) < 1e-12:
        np.testing.assert_array_equal(quiet[:30_000], changed[:30_000])
    steady = quiet[1_000:2_000]
    assert np.ptp(steady) < 0.05 * np.ptp(quiet)
    assert abs(quiet[2_000] - quiet[1_999]) > 0


@pytest.mark.parametrize("name", [name for name in AMPS if name != "octave"])
def test_no_amp_inverts(name: str) -> None:
    """A small rise on silence goes up, whatever the bias."""
    sound = np.zeros(RATE)
    sound[24_000:] = 0.1 * np.sin(2 * np.pi * 700 * np.arange(24_000) / RATE)
    out = AMPS[name](sound, RATE, np.random.default_rng(7), 0.0)
    rise = out[24_000:24_012] - out[23_999]
    assert rise[np.argmax(np.abs(rise))] > 0


def test_clipping_amps_clip() -> None:
    """Property: 40 dB more in gives far less than 40 dB more out."""
    loud, soft = (
        AMPS["hard clip"](_burst(), RATE, np.random.default_rng(1), gain)
        for gain in (50.0, 10.0)
    )
    assert 20 * np.log10(np.std(loud) / np.std(soft)) < 15
