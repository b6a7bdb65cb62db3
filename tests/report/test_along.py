"""The backing track on the page: what is told of it, and the room that it gets."""

import pytest
import records

from pipeline.report.along import room_db, track_sentence, track_sound
from pipeline.report.page import render_page


def told(data):
    found = track_sentence(records.record(data))
    return found and found.replace("\N{NO-BREAK SPACE}", " ")


def test_tells_file_place_and_level():
    # The record's own figures: -30.2 against -24.2 LUFS.
    assert told(records.night(16)) == (
        "The backing track audio/band.wav (44.1 kHz, stereo) plays along at "
        "\N{MINUS SIGN}30.2 LUFS, 6.0 dB below the captures; the DI starts at 12.500 s "
        "of it."
    )
    assert told(records.bare()) is None


def test_tells_that_it_is_quieter_than_asked_for():
    data = records.night(16)
    data["context"] |= {"asked_db": 3.0, "lufs": -24.2, "ends_s": 20.0}
    found = told(data)
    assert "as loud as the captures (asked for +3.0 dB; its peaks allow no" in found
    assert found.endswith("It covers 0.00 to 20.00 s of the DI.")


def test_room_for_both_at_once():
    # By hand: -1 dBTP is 0.8913, -3 dBTP turned up by 6 dB is 1.4125; together
    # 2.3038, which is 7.249 dB over full scale.
    data = records.night(16)
    data["captures"][3]["loudness"]["true_peak_dbtp"] = -1.0
    data["context"]["true_peak_dbtp"] = -3.0
    record = records.record(data)
    assert room_db(record) == pytest.approx(-7.249, abs=0.001)
    # A listener may add as much again by ear, of which the page cannot know.
    assert (
        "plays 7.2 dB lower here, so that track and capture together do not clip; ear "
        "trims and <kbd>L</kbd> come on top." in render_page(record)
    )


def test_no_room_is_taken_that_is_not_needed():
    record = records.record(records.night(16))
    assert room_db(record) == 0.0
    assert track_sound(record) == {
        "listen": "./listen/Backing%20track.js",
        "file": "listen/Backing track.js",
        "channels": 2,
        "room": 0.0,
    }
    assert track_sound(records.record(records.bare())) is None
