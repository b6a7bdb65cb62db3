"""Findings in words, from scenes with one planted fault; truth by construction."""

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.activity import active_frames, frame_power
from pipeline.dsp.linearity import cross_spectra
from pipeline.stages.evidence import judge_bleed, judge_gate, judge_samples

RATE = 48_000


def noise_bursts(seed: int, seconds: float = 12.0) -> np.ndarray:
    """Coloured bursts with rests: no pitch, so nothing repeats by itself."""
    rng = np.random.default_rng(seed)
    x = signal.lfilter([1.0], [1.0, -0.8], rng.normal(size=int(seconds * RATE)))
    at = np.arange(len(x)) / RATE
    loud = np.exp(-3.0 * (at % 1.5)) * (at % 1.5 < 1.0)
    return 0.3 * x * loud / np.abs(x).max() + 1e-5 * rng.normal(size=len(x))


def test_a_sound_file_has_no_findings() -> None:
    assert judge_samples(noise_bursts(0).astype(np.float32), RATE) == ()


@pytest.mark.parametrize(("top", "said"), [(0.05, "-26.0 dBFS"), (1.0, "full scale")])
def test_flat_tops_are_counted_and_placed(top: float, said: str) -> None:
    x = signal.resample_poly(noise_bursts(1)[::4], 4, 1)
    x = np.clip(x * top / (0.3 * np.abs(x).max()), -top, top).astype(np.float32)
    (finding,) = judge_samples(x, RATE)
    assert finding.code == "clipped"
    assert said in finding.message
    assert finding.fix
    runs = np.flatnonzero(np.diff(np.abs(x) >= top * 0.99999) > 0)
    assert f"first at {(runs[0] + 1) / RATE:.2f}" in finding.message


def test_lost_and_repeated_blocks_are_named_with_times() -> None:
    x = noise_bursts(2).astype(np.float32)
    x[3 * RATE + 4000 : 3 * RATE + 4256] = 0.0
    x[6 * RATE + 5128 : 6 * RATE + 5256] = x[6 * RATE + 5000 : 6 * RATE + 5128]
    (finding,) = judge_samples(x, RATE)
    assert finding.code == "jump"
    assert "1 stretch of digital silence" in finding.message
    assert "1 repeated block" in finding.message
    assert "256 samples, 5.3 ms" in finding.message
    assert "3.08, 6.11 s" in finding.message


def test_a_gate_is_told_with_its_times() -> None:
    di = noise_bursts(3)
    hiss = np.random.default_rng(0).normal(size=len(di)) * 1e-3
    at = np.arange(len(di)) / RATE
    gated = (di + hiss) * (at % 1.5 < 0.6)
    powers = [frame_power(x, RATE) for x in (di, gated)]
    (finding,) = judge_gate(*powers, 10.0)
    assert finding.code == "gate"
    assert "shut 8 times" in finding.message
    assert judge_gate(powers[0], frame_power(di + hiss, RATE), 0.0) == ()


def test_direct_monitoring_is_told_from_a_clean_capture() -> None:
    di = noise_bursts(4)
    wet = signal.lfilter(*signal.butter(4, 3000.0, fs=RATE), np.tanh(20 * di))
    lag = 600
    for level, count in ((0.1, 1), (0.0, 0)):
        capture = wet.copy()
        early = np.concatenate([di[lag:], np.zeros(lag)])
        capture += level * early * np.std(wet) / np.std(di)
        cross = cross_spectra(di, capture, RATE, active_frames(di, RATE))
        assert cross is not None
        found = judge_bleed(cross, float(lag))
        assert len(found) == count
        if found:
            assert found[0].severity == "warn"
            assert "600 samples (12.5 ms) ahead" in found[0].message
            assert "direct monitoring" in found[0].message
