"""Gates and stand-by planted at known times, and rests that are neither."""

import numpy as np
import pytest

from pipeline.dsp.activity import FRAME_S, frame_power
from pipeline.dsp.mutes import find_gate, find_mute, level_range_db

FS = 48_000


def notes_and_rests(decay, noise_db, seed=0):
    t = np.arange(8 * FS) / FS
    since = t % 1.0
    x = 0.3 * np.exp(-decay * since) * np.sin(2 * np.pi * 110 * t) * (since < 0.95)
    return x + 10 ** (noise_db / 20) * np.random.default_rng(seed).standard_normal(
        len(t)
    )


def test_gate_that_closes_between_notes():
    di, x = notes_and_rests(4.0, -90.0), notes_and_rests(4.0, -65.0)
    x *= (np.arange(len(x)) / FS) % 1.0 < 0.65
    found = find_gate(frame_power(di, FS), frame_power(x, FS))
    assert found.closings == 8
    assert found.times_s[0] == pytest.approx(0.65, abs=FRAME_S)
    assert found.closed_dbfs <= -200.0
    assert found.open_dbfs > -50.0


@pytest.mark.parametrize("noise_db", [-200.0, -90.0, -50.0])
@pytest.mark.parametrize("decay", [2.0, 8.0, 20.0])
def test_no_gate(noise_db, decay):
    # Also a chain without any noise, whose sound stops with its DI.
    di, x = notes_and_rests(decay, noise_db), notes_and_rests(0.7 * decay, noise_db, 1)
    assert find_gate(frame_power(di, FS), frame_power(x, FS)) is None
    assert find_gate(np.zeros(2), np.zeros(2)) is None


@pytest.mark.parametrize("fall_db_a_frame", [8.0, 13.0, 20.0])
def test_a_room_that_dies_away_fast_is_no_gate(fall_db_a_frame):
    # The DI stops at once, the capture falls steadily to a floor below -85 dBFS.
    di, x = np.full(200, -25.0), np.full(200, -24.0)
    for start in (50, 120):
        di[start : start + 30] = -101.0
        x[start : start + 30] = np.maximum(
            -24.0 - fall_db_a_frame * np.arange(1, 31), -93.0
        )
    assert find_gate(10 ** (di / 10), 10 ** (x / 10)) is None


@pytest.mark.parametrize("share", [0.2, 0.7])
def test_stand_by_is_found_where_it_was(share):
    di, x = notes_and_rests(2.0, -90.0), notes_and_rests(2.0, -60.0)
    stop = round(share * len(x))
    x[:stop] = 1e-3 * np.random.default_rng(3).standard_normal(stop)
    found = find_mute(frame_power(di, FS), frame_power(x, FS))
    assert found.start_s == 0.0
    assert found.stop_s == pytest.approx(8.0 * share, abs=0.1)
    assert found.muted_dbfs == pytest.approx(-60.0, abs=1.0)


@pytest.mark.parametrize("decay", [2.0, 8.0, 20.0])
def test_rests_are_not_stand_by(decay):
    di, x = notes_and_rests(decay, -90.0), notes_and_rests(0.7 * decay, -90.0, 1)
    di[2 * FS : 5 * FS] = x[2 * FS : 5 * FS] = 0.0
    assert find_mute(frame_power(di, FS), frame_power(x, FS)) is None
    assert find_mute(np.zeros(0), np.zeros(0)) is None


def test_hiss_does_not_move():
    hiss = 0.01 * np.random.default_rng(0).standard_normal(4 * FS)
    assert level_range_db(frame_power(hiss, FS)) < 1.0
    assert level_range_db(frame_power(notes_and_rests(4.0, -60.0), FS)) > 20.0
    assert level_range_db(np.zeros(10)) is None
