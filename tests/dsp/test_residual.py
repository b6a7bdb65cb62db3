"""Authority: what is put together from known parts; a fit one bin at a time."""

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.residual import unexplained

SIZE, WINDOWS = 1024, 30


def windows(x: np.ndarray) -> np.ndarray:
    """Spectra of half-overlapping windows."""
    starts = np.arange(WINDOWS) * SIZE // 2
    return np.fft.rfft([np.hanning(SIZE) * x[s : s + SIZE] for s in starts])


def noise(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=SIZE * (WINDOWS // 2 + 1))


def level_db(x: np.ndarray) -> float:
    return 10 * np.log10(np.mean(np.abs(x) ** 2))


def test_what_a_chain_makes_of_the_di_goes_and_what_it_adds_stays() -> None:
    """A response of a quarter of the window; the added hiss lies 40 dB below."""
    dry, added = noise(1), 0.01 * noise(2)
    taps = np.random.default_rng(3).normal(size=SIZE // 4)
    taps *= np.exp(-np.arange(SIZE // 4) / 30) / 5
    wet = signal.lfilter(taps, [1.0], dry)
    left = unexplained(windows(wet + added), windows(dry))
    assert level_db(windows(wet)) > level_db(windows(added)) + 35
    # The fit takes 7 of 30 degrees of freedom: 1.2 dB; what stays of the DI adds some.
    assert level_db(left) == pytest.approx(level_db(windows(added)), abs=3.0)


def test_a_silent_di_or_one_window_takes_nothing_off() -> None:
    heard = windows(noise(4))
    assert np.array_equal(unexplained(heard, np.zeros_like(heard)), heard)
    assert np.array_equal(unexplained(heard[:1], heard[1:2]), heard[:1])


def test_few_windows_are_fitted_one_bin_at_a_time() -> None:
    """Slow twin: the least-squares gain of every bin by itself."""
    heard, dry = windows(noise(5))[:4], windows(noise(6))[:4]
    gain = (np.conj(dry) * heard).sum(axis=0) / (np.abs(dry) ** 2).sum(axis=0)
    assert np.allclose(unexplained(heard, dry), heard - gain * dry)
