"""What is not a regular file is refused, without waiting and without a traceback."""

import os
import threading

import pytest

from pipeline.errors import AudioError
from pipeline.files.audio import ChannelSource, probe, sha256_of
from pipeline.files.wave_chunks import read_chunks

DOORS = [probe, ChannelSource, sha256_of, read_chunks]


@pytest.fixture(params=DOORS, ids=lambda door: door.__name__)
def door(request):
    return request.param


def refused(door, path, code, match):
    with pytest.raises(AudioError, match=match) as caught:
        door(path)
    assert caught.value.code == code


def test_missing(door, tmp_path):
    refused(door, tmp_path / "no.wav", "missing", r"no\.wav: no such file")


def test_folder(door, tmp_path):
    (tmp_path / "take.wav").mkdir()
    refused(door, tmp_path / "take.wav", "unreadable", "found a folder")


def test_below_a_file(door, keep):
    refused(door, keep(b"") / "take.wav", "unreadable", "cannot be looked at")


def test_pipe(door, tmp_path):
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no named pipes in folders")
    os.mkfifo(tmp_path / "take.wav")
    refused(door, tmp_path / "take.wav", "unreadable", "found a device, pipe or socket")


def test_pipe_that_takes_the_place_of_a_file(tmp_path, keep, monkeypatch):
    """Between the look and the opening; in a thread, as a mistake would wait."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no named pipes in folders")
    regular = keep(b"").stat()
    os.mkfifo(tmp_path / "pipe.wav")
    monkeypatch.setattr("pathlib.Path.stat", lambda *_, **__: regular)
    said = []

    def look():
        try:
            probe(tmp_path / "pipe.wav")
        except AudioError as error:
            said.append(str(error))

    thread = threading.Thread(target=look, daemon=True)
    thread.start()
    thread.join(timeout=10)
    assert len(said) == 1
    assert "was replaced" in said[0]


def test_device(door, tmp_path):
    try:
        (tmp_path / "take.wav").symlink_to("/dev/zero")
    except OSError as error:
        pytest.skip(f"no links on this system: {error}")
    if not (tmp_path / "take.wav").exists():
        pytest.skip("this system has no such device")
    refused(door, tmp_path / "take.wav", "unreadable", "found a device")


def test_loop_of_links(door, tmp_path):
    first, second = tmp_path / "a.wav", tmp_path / "b.wav"
    try:
        first.symlink_to(second)
        second.symlink_to(first)
    except OSError as error:
        pytest.skip(f"no links on this system: {error}")
    refused(door, first, "unreadable", "cannot be looked at")


def test_link_to_a_file_is_read(tmp_path, keep, hand):
    path = keep(hand.wave(hand.fmt(), bytes(30)))
    try:
        (tmp_path / "link.wav").symlink_to(path)
    except OSError as error:
        pytest.skip(f"no links on this system: {error}")
    assert probe(tmp_path / "link.wav").frames == 10


def test_name_that_no_system_takes(door, tmp_path):
    refused(door, tmp_path / "nul\0.wav", "unreadable", "cannot be looked at")
    refused(door, tmp_path / ("x" * 5_000), "unreadable", "cannot be looked at")


def test_no_permission(door, keep):
    path = keep(bytes(100))
    path.chmod(0)
    if os.access(path, os.R_OK):
        pytest.skip("this user may read everything")
    refused(door, path, "unreadable", "cannot be opened")


@pytest.mark.parametrize(
    "name",
    [
        "a b.wav",
        "quote'\".wav",
        "new\nline.wav",
        "\u202eright.wav",
        "<b>.wav",
        "\u591c",
    ],
)
def test_odd_names_are_read(keep, hand, name):
    try:
        path = keep(hand.wave(hand.fmt(), bytes(30)), name)
    except OSError as error:
        pytest.skip(f"this system refuses the name: {error}")
    assert probe(path).frames == 10
