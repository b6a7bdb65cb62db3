"""A recording is the model and nothing but the model: late by exactly the truth."""

import dataclasses

import numpy as np
import pytest

from pipeline.demo import session, takes
from pipeline.demo.air import response
from pipeline.demo.colour import SAMPLE_RATE_HZ
from pipeline.demo.takes import Loud

FRAMES = 4 * SAMPLE_RATE_HZ


def burst():
    wave = np.zeros(FRAMES)
    wave[48_000:144_000] = np.random.default_rng(8).normal(size=96_000)
    return Loud(wave, "edge")


def residual(one, take, track):
    """Spectrum of a track over what the path alone makes of the burst, in band."""
    size = 8 * SAMPLE_RATE_HZ
    path = np.fft.irfft(response(take.placement, session.CONES, session.speed_m_s()))
    predicted = np.fft.rfft(burst().wave, size) * np.fft.rfft(path, size)
    heard = np.fft.rfft(track, size)
    frequency = np.fft.rfftfreq(size, 1 / SAMPLE_RATE_HZ)
    expected = np.exp(-2j * np.pi * frequency / SAMPLE_RATE_HZ * one)
    band = (frequency > 200) & (frequency < 4000)
    cross = heard * np.conj(predicted * expected)
    return cross[band], frequency[band]


@pytest.mark.parametrize("name", ["p01", "p05", "p07", "p10", "p13", "p14"])
def test_a_pass_is_late_by_its_offset_and_has_its_sign(name):
    # Truth by construction: with the path divided out, what is left is a pure
    # delay; its phase slope is the error, and hiss 66 dB down bends it by less than
    # a hundredth of a sample.
    one = next(one for one in session.PASSES if one.name == name)
    tracks = takes.record(one, burst(), np.random.default_rng(2))
    for take, track in zip(one.takes, tracks, strict=True):
        cross, frequency = residual(session.offset_samples(one), take, track)
        assert np.sign(np.real(np.sum(cross))) == take.polarity
        sums = np.add.reduceat(cross, np.arange(0, len(cross), 500)) * take.polarity
        centres = np.add.reduceat(frequency, np.arange(0, len(cross), 500))[:-1] / 500
        slope = np.polyfit(2 * np.pi * centres, np.angle(sums[:-1]), 1)[0]
        assert abs(slope * SAMPLE_RATE_HZ) < 0.01


def test_a_track_lasts_from_the_recorders_start_to_a_second_after_the_di():
    for name in ("p01", "p03", "p10"):
        one = next(one for one in session.PASSES if one.name == name)
        track = takes.record(one, burst(), np.random.default_rng(2))[0]
        assert len(track) == FRAMES + round((one.start_s + 1) * SAMPLE_RATE_HZ)


def test_levels_are_sane():
    # Common practice, no source: headroom is left, and nothing is whispered.
    one = session.PASSES[4]
    for seed in range(2):
        for track in takes.record(one, burst(), np.random.default_rng(seed)):
            assert -12.5 < 20 * np.log10(np.max(np.abs(track))) < -4.5


def test_hum_sits_on_the_mains_family():
    # Mains is 50 Hz or 60 Hz; here 50 Hz and harmonics, at the level asked for.
    one = next(one for one in session.PASSES if one.name == "p13")
    loud = dataclasses.replace(burst(), wave=burst().wave * 1.0)
    track = takes.record(one, loud, np.random.default_rng(2))[0]
    silence = track[4800 : 4800 + 48_000]
    power = np.abs(np.fft.rfft(silence)) ** 2 / len(silence) ** 2 * 2
    family = 10 * np.log10(sum(power[hz] for hz in (50, 100, 150, 250, 350)))
    assert family == pytest.approx(one.takes[0].hum_dbfs, abs=1.0)


def test_equal_chance_gives_equal_samples():
    one = session.PASSES[6]
    first, again = (
        takes.record(one, burst(), np.random.default_rng(2)) for _ in range(2)
    )
    assert all(np.array_equal(a, b) for a, b in zip(first, again, strict=True))
