"""Scripts that carry audio: the text gives the bytes back."""

import base64
import json

import pytest

from pipeline.report.listening import listening_file, listening_script


def payload(script):
    head, tail = "reamps_audio(", ");\n"
    assert script.startswith(head)
    assert script.endswith(tail)
    return json.loads(script.removeprefix(head).removesuffix(tail))


def test_carries_the_bytes():
    sound = bytes(range(256))
    found = payload(
        listening_script("audio/a.wav", sound, "audio/flac", rate=44100, frames=7)
    )
    assert base64.b64decode(found.pop("data")) == sound
    assert found == {
        "id": "audio/a.wav",
        "mime": "audio/flac",
        "rate": 44100,
        "channels": 1,
        "frames": 7,
    }


def test_a_hostile_name_stays_a_name():
    name = "audio/</script><script>alert(1)</script>.wav"
    script = listening_script(name, b"x", "audio/wav", rate=1, frames=1)
    assert "<" not in script
    assert payload(script)["id"] == name


@pytest.mark.parametrize(
    ("mime", "rate", "frames", "told"),
    [
        ("audio/mpeg", 48000, 1, "audio/flac or audio/wav"),
        ("audio/wav", 0, 1, "positive"),
        ("audio/wav", 48000, 0, "positive"),
    ],
)
def test_refuses(mime, rate, frames, told):
    with pytest.raises(ValueError, match=told):
        listening_script("a", b"", mime, rate=rate, frames=frames)


def test_file_stands_in_its_own_folder():
    assert listening_file("audio/p01.bright.wav") == "listen/p01.bright.js"
