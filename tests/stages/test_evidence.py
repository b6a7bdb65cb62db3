"""Findings in words, from scenes with one planted fault; truth by construction."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.activity import active_frames, frame_power
from pipeline.dsp.linearity import capture_spectra, di_spectra
from pipeline.dsp.spectrum import average_spectrum
from pipeline.stages.beside_di import judge_bleed, judge_levels, judge_steadiness
from pipeline.stages.evidence import judge_di, judge_samples
from pipeline.stages.faults import Symptoms, judge_measures

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
    (line,) = finding.evidence.lines
    inside = (np.array(line.x) >= 0.0) & (np.array(line.x) <= finding.evidence.marks[1])
    assert np.abs(np.array(line.y)[inside]) == pytest.approx(top, rel=1e-4)
    assert len(line.x) <= 301
    runs = np.flatnonzero(np.diff(np.abs(x) >= top * 0.99999) > 0)
    assert f"first at {(runs[0] + 1) / RATE:.2f}" in finding.message


def test_a_clipped_di_is_told_of_the_session() -> None:
    di = noise_bursts(7)
    di[5 * RATE : 6 * RATE] = 0.0
    assert judge_di(di.astype(np.float32), RATE) == ()
    smooth = signal.resample_poly(di[::4], 4, 1)
    clipped = np.clip(smooth, -0.05, 0.05).astype(np.float32)
    (finding,) = judge_di(clipped, RATE, 30.0)
    assert finding.code == "clipped"
    first = np.flatnonzero(np.abs(clipped) >= 0.05)[0] / RATE
    assert finding.message.startswith("The DI itself is clipped")
    assert f"first at {30.0 + first:.2f}" in finding.message


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
    (line,) = finding.evidence.lines
    lost = (np.array(line.x) >= 0.0) & (np.array(line.x) < 255.5 / 48)
    assert not np.array(line.y)[lost].any()
    assert np.array(line.y)[~lost].any()


def test_a_gate_is_told_with_its_times() -> None:
    di = noise_bursts(3)
    hiss = np.random.default_rng(0).normal(size=len(di)) * 1e-3
    at = np.arange(len(di)) / RATE
    gated = (di + hiss) * (at % 1.5 < 0.6)
    powers = [frame_power(x, RATE) for x in (di, gated)]
    (finding,) = judge_levels(*powers, 10.0)
    assert finding.code == "gate"
    assert "shut 8 times" in finding.message
    di_line, line = finding.evidence.lines
    assert (di_line.name, line.name) == ("di", "capture")
    # The marks stand where the level falls off: on the DI's time, 10 s in.
    for mark in finding.evidence.marks:
        after = np.searchsorted(line.x, mark)
        assert line.y[after] - line.y[after + 2] > 20.0 or line.y[after] < -85.0
    assert judge_levels(powers[0], frame_power(di + hiss, RATE), 0.0) == ()


def test_direct_monitoring_is_told_from_a_clean_capture() -> None:
    di = noise_bursts(4)
    wet = signal.lfilter(*signal.butter(4, 3000.0, fs=RATE), np.tanh(20 * di))
    lag = 600
    for level, count in ((0.1, 1), (0.0, 0)):
        capture = wet.copy()
        early = np.concatenate([di[lag:], np.zeros(lag)])
        capture += level * early * np.std(wet) / np.std(di)
        activity = active_frames(di, RATE)
        cross = capture_spectra(di_spectra(di, RATE, activity), capture, activity)
        assert cross is not None
        found = judge_bleed(cross, float(lag))
        assert len(found) == count
        if found:
            assert found[0].severity == "warn"
            assert "600 samples (12.5 ms) ahead" in found[0].message
            assert "direct monitoring" in found[0].message


def test_stand_by_is_told_with_its_times() -> None:
    di = noise_bursts(5)
    capture = di.copy()
    capture[3 * RATE : 7 * RATE] = 0.0
    powers = [frame_power(x, RATE) for x in (di, capture)]
    (finding,) = judge_levels(*powers, 10.0)
    assert finding.code == "muted"
    assert "digital silence" in finding.message
    assert "muted_dbfs" not in finding.evidence.numbers
    # Bursts begin at 3.0, 4.5 and 6.0 s of the DI and fall by 26 dB a second: the
    # last one plays (within 15 dB) for 0.6 s.
    assert finding.evidence.marks == pytest.approx((13.0, 16.6), abs=0.15)


def test_nobody_plays() -> None:
    hiss = 1e-3 * np.random.default_rng(1).normal(size=4 * RATE)
    (finding,) = judge_steadiness(frame_power(hiss, RATE))
    assert finding.code == "muted"
    assert "hiss or hum" in finding.message
    assert judge_steadiness(frame_power(noise_bursts(6), RATE)) == ()


def symptoms(**changes: object) -> Symptoms:
    """A capture without faults, but for the changes."""
    sound = Symptoms(
        measurable=True,
        music_dbfs=-20.0,
        noise_dbfs=-80.0,
        hum_db=None,
        hum_hz=None,
        true_peak_dbtp=-3.0,
    )
    return replace(sound, **changes)


def test_peaks_between_samples_are_told() -> None:
    # A sine at a quarter of the rate, sampled 45 degrees off its tops, rises 3.01 dB
    # over its samples (EBU Tech 3341, test case 19).
    assert judge_measures(symptoms()) == ()
    (finding,) = judge_measures(symptoms(true_peak_dbtp=3.01))
    assert (finding.code, finding.severity) == ("over", "note")
    assert "3.0 dB above full scale" in finding.message


def test_hum_is_drawn_where_it_stands() -> None:
    at = np.arange(8 * RATE) / RATE
    hum = 1e-3 * sum(np.sin(2 * np.pi * 50.0 * k * at) / k for k in (1, 2, 3))
    noise = hum + 1e-5 * np.random.default_rng(2).normal(size=len(at))
    print_ = average_spectrum(noise, RATE, np.ones(160, dtype=bool), share=1.0)
    (finding,) = judge_measures(symptoms(hum_db=-36.0, hum_hz=50, noise=print_))
    assert finding.code == "hum"
    evidence = finding.evidence
    assert evidence.marks == pytest.approx((50.0, 100.0, 150.0), abs=0.2)
    (line,) = evidence.lines
    top = line.x[int(np.argmax(line.y))]
    # Bins are 2.9 Hz apart; a sine of amplitude .001 lies 43 dB under -20 dB, and a
    # Hann window spreads it over 1.5 bins (1.76 dB; up to 1.4 dB more between bins).
    assert top == pytest.approx(50.0, abs=1.5)
    assert max(line.y) == pytest.approx(-43.0 - 1.76 - 0.7, abs=0.8)
