"""Ranking by a recording that the client supplies."""

import client_night
import numpy as np
import pytest
import soundfile

from pipeline.client.reference import hear_reference, rank
from pipeline.client.tones import tones
from pipeline.errors import AudioError
from pipeline.files.store import read_record


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
