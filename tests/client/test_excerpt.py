"""Cutting and packing."""

import io

import client_night
import numpy as np
import soundfile

from pipeline.client.excerpt import FLAC, WAV, liveliest, matching_gains, pack, peaks

RATE = client_night.RATE


def test_finds_the_part_with_the_attacks():
    # Truth by construction: eight notes a second from 5 to 7 s, three before.
    dry = client_night.plucks().astype(np.float32)
    first = liveliest(dry, RATE, 2 * RATE) / RATE
    # A frame of 50 ms either way, and up to the last note of 125 ms.
    assert abs(first - client_night.LIVELY[0]) <= 0.2


def test_whole_song_and_silence_start_at_once():
    silence = np.zeros(RATE, dtype=np.float32)
    assert liveliest(silence, RATE, 1000) == 0
    assert liveliest(silence, RATE, RATE) == 0


def test_gains_bring_all_to_the_quietest():
    # Truth by construction: the same sound 0, 3 and 6 dB down.
    sound = client_night.sounds()[0]
    steps = [0.0, -3.0, -6.0]
    those = [sound * np.float32(10 ** (db / 20)) for db in steps]
    assert np.allclose(matching_gains(those, RATE), [-6.0, -3.0, 0.0], atol=0.01)
    assert matching_gains([sound * 0], RATE) == [0.0]


def test_packs_without_loss_beyond_one_dither():
    sound = client_night.sounds()[1]
    for pcm, mime in ((False, FLAC), (True, WAV)):
        packed = pack(sound, -6.0206, RATE, pcm=pcm)
        assert packed.mime == mime
        got, rate = soundfile.read(io.BytesIO(packed.data))
        assert (rate, len(got)) == (RATE, len(sound))
        # Triangular dither of one step either way, half a step of rounding.
        assert np.max(np.abs(got - sound / 2)) <= 1.55 / 32768


def test_takes_pcm_where_flac_would_be_larger():
    noise = np.random.default_rng(5).uniform(-1, 1, RATE).astype(np.float32)
    packed = pack(noise, 0.0, RATE, pcm=False)
    assert packed.mime in {FLAC, WAV}
    assert len(packed.data) <= 44 + 2 * RATE


def test_outline_is_shared():
    found = peaks(client_night.sounds())
    assert len(found) == 300
    assert max(found) == 100
    assert peaks([np.zeros(10, dtype=np.float32)]) == [0] * 10
