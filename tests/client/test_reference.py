"""Ranking by a recording that the client supplies."""

import client_night
import numpy as np
import pytest
import soundfile

from pipeline.client.reference import hear_reference, rank
from pipeline.client.tones import tones
from pipeline.errors import AudioError
from pipeline.files.store import read_record
from pipeline.run.hearing import hear_file
from pipeline.run.wanted import hear_wish


@pytest.mark.parametrize(
    ("gain", "rate", "channels"), [(0.5, 48000, 1), (0.2, 48000, 2)]
)
def test_finds_its_own_kind_at_any_level(night, tmp_path, gain, rate, channels):
    # Truth by construction: the reference is one of the tones at another level.
    for number in (0, 2, 5):
        sound = client_night.sounds()[number] * gain
        path = tmp_path / f"r{number}.flac"
        soundfile.write(path, np.stack([sound] * channels, axis=1), rate)
        known = tones(read_record(night))
        found = rank(hear_reference(path), known.values())
        assert next(iter(found)) == client_night.IDS[number]
        # Level-matched: 24 bits of FLAC, a gain and nothing else lie between.
        assert found[client_night.IDS[number]] < 0.1
        assert list(found.values()) == sorted(found.values())


def test_a_low_rate_is_compared_where_it_has_bands(night, tmp_path):
    # Decimation by an ideal filter keeps the bands below its own half rate.
    sound = client_night.sounds()[1]
    half = np.fft.irfft(np.fft.rfft(sound)[: len(sound) // 4 + 1], len(sound) // 2) / 2
    path = tmp_path / "low.wav"
    soundfile.write(path, half, 24000, subtype="FLOAT")
    reference = hear_reference(path)
    assert 0 < (~reference.within).sum() < 10
    assert (
        next(iter(rank(reference, tones(read_record(night)).values())))
        == (client_night.IDS[1])
    )


def test_refuses_what_holds_nothing(tmp_path):
    path = tmp_path / "silence.wav"
    soundfile.write(path, np.zeros(48000), 48000)
    with pytest.raises(AudioError, match="nothing plays long enough"):
        hear_reference(path)
    with pytest.raises(AudioError):
        hear_reference(tmp_path / "absent.wav")


@pytest.mark.parametrize("hear", [hear_reference, hear_file])
def test_refuses_a_rate_without_a_loudness(tmp_path, hear):
    path = tmp_path / "phone.wav"
    noise = np.random.default_rng(1).normal(0, 0.1, 40_000)
    soundfile.write(path, noise, 7999)
    told = r"phone\.wav: expected a sample rate of 8000 Hz or more.*found 7999 Hz"
    with pytest.raises(AudioError, match=told):
        hear(path)
    soundfile.write(path, noise, 8000)
    hear(path)


def test_a_blend_is_not_made_like_a_recording_at_such_a_rate(tmp_path):
    path = tmp_path / "phone.wav"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.1, 40_000), 6000)
    heard = hear_wish(path)
    assert heard.tone is None
    assert "found 6000 Hz" in heard.trouble


@pytest.mark.parametrize("hear", [hear_reference, hear_file])
@pytest.mark.parametrize("value", [np.nan, np.inf, 3e38, -1e25])
def test_refuses_samples_that_are_no_sound(tmp_path, hear, value):
    path = tmp_path / "torn.wav"
    samples = np.random.default_rng(1).normal(0, 0.1, 96_000)
    samples[5000] = value
    soundfile.write(path, samples, 48_000, "FLOAT")
    with pytest.raises(AudioError, match=r"torn\.wav: channel 1 holds samples that"):
        hear(path)


def test_the_library_hears_the_channels_as_one(tmp_path):
    # By hand: power adds up, so equal channels leave the shape of one.
    sound = client_night.sounds()[1]
    for name, channels in (("mono", 1), ("pair", 2)):
        stacked = np.stack([sound] * channels, axis=1)
        soundfile.write(tmp_path / f"{name}.wav", stacked, 48_000, "FLOAT")
    mono, pair = (hear_file(tmp_path / f"{name}.wav") for name in ("mono", "pair"))
    assert mono == pair
