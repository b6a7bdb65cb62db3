"""K-weighting by blocks against the recursive filter that the standard describes."""

import subprocess
import sys

import numpy as np
import pyloudnorm
import pytest
from scipy.signal import sosfilt

from pipeline.dsp.kweighting import (
    HIGH_PASS_HZ,
    HIGH_PASS_Q,
    SHELF_DB,
    SHELF_HZ,
    SHELF_Q,
    k_weighted_energy,
    k_weighting_sections,
)

USUAL = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


def slow_twin(x, fs, edges):
    """Sample by sample, in double precision (scipy's second-order sections)."""
    y = sosfilt(k_weighting_sections(fs), x.astype(np.float64))
    return np.add.reduceat(np.square(y[: edges[-1]]), edges[:-1])


def signal(name, frames, fs):
    rng = np.random.default_rng(8)
    hiss = rng.normal(size=frames)
    t = np.arange(frames) / fs
    return {
        "noise": 0.1 * hiss,
        "faint": 1e-6 * hiss,
        "constant": 0.5 + 1e-4 * hiss,
        "rumble": 0.9 * np.sin(2 * np.pi * 5.0 * t) + 1e-4 * hiss,
        "burst": np.where(t < 0.5, hiss, 0.0),
    }[name]


@pytest.mark.parametrize("fs", [22_050, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("name", ["noise", "faint", "constant", "rumble"])
def test_energies_are_those_of_the_recursive_filter(name, fs):
    # Beyond one block of rows, and no whole number of rows.
    x = signal(name, 130_001, fs).astype(np.float32)
    edges = np.append(np.arange(0, 130_001, fs // 100), 130_001)
    exact = slow_twin(x, fs, edges)
    # Single precision: 24 bits of the strongest part, which the filter takes away
    # where it is a constant or a rumble 80 dB above the rest. 2e-4 is 0.001 dB.
    single = 2e-4 if name in {"constant", "rumble"} else 1e-6
    assert k_weighted_energy(x, fs, edges) == pytest.approx(exact, rel=single)
    # What is left is the twin's own rounding, which a constant makes worse.
    double = k_weighted_energy(x.astype(np.float64), fs, edges)
    assert double == pytest.approx(exact, rel=1e-6)


def test_stretches_of_any_length_share_the_signal_between_them():
    fs = 48_000
    x = signal("noise", 150_000, fs)
    edges = np.array([0, 1, 2, 122_879, 122_880, 122_881, 149_990])
    expected = slow_twin(x, fs, edges)
    assert k_weighted_energy(x, fs, edges) == pytest.approx(expected, rel=1e-9)
    assert k_weighted_energy(x, fs, np.zeros(0, np.int64)).size == 0


def test_silence_after_a_sound_is_silent_and_free_of_denormal_numbers():
    fs = 48_000
    x = signal("burst", 4 * fs, fs).astype(np.float32)
    edges = np.arange(0, 4 * fs + 1, 480)
    energy = k_weighted_energy(x, fs, edges)
    # The high-pass falls by 2 pi 38 nepers a second: below 1e-30 within 0.2 s.
    assert np.all(energy[edges[:-1] > fs] < 1e-30)
    assert np.all(energy[edges[:-1] > 2 * fs] == 0.0)


@pytest.mark.parametrize("fs", [*USUAL, 32_000])
def test_coefficients_are_pyloudnorms(fs):
    shelf = pyloudnorm.IIRfilter(SHELF_DB, SHELF_Q, SHELF_HZ, fs, "high_shelf_DeMan")
    high_pass = pyloudnorm.IIRfilter(
        0.0, HIGH_PASS_Q, HIGH_PASS_HZ, fs, "high_pass_DeMan"
    )
    for section, twin in zip(k_weighting_sections(fs), (shelf, high_pass), strict=True):
        # Written down with all digits; the platform's sine may differ in the last.
        assert section == pytest.approx(np.concatenate([twin.b, twin.a]), rel=1e-14)


def test_usual_rates_import_no_filter_library():
    script = (
        "import sys, numpy as np; from pipeline.dsp.loudness import loudness_cells; "
        "loudness_cells(np.zeros(48000, np.float32), 48000); "
        "sys.exit(any(n in sys.modules for n in ('pyloudnorm', 'scipy.signal')))"
    )
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0
