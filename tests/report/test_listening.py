"""Scripts that carry audio: the text gives the bytes back."""

import base64
import json

import numpy as np
import pytest

from pipeline.report.listening import (
    SHIFT,
    listening_file,
    listening_samples,
    listening_script,
)


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


def characters(script):
    found = payload(bytes(script).decode("utf-16"))
    text = found.pop("data").encode("utf-16-le", "surrogatepass")
    units = np.frombuffer(text, dtype="<u2")
    return found, (units - np.uint16(SHIFT)).view(np.int16)


def test_carries_samples_as_characters():
    rng = np.random.default_rng(4)
    every = rng.permutation(np.arange(-32768, 32768, dtype=np.int16))
    kept = every.copy()
    found, samples = characters(listening_samples("audio/a.wav", every, rate=48000))
    assert np.array_equal(samples, kept)
    assert np.array_equal(every, kept)
    assert found == {
        "id": "audio/a.wav",
        "mime": "audio/L16",
        "rate": 48000,
        "channels": 1,
        "frames": 65536,
    }


def test_two_channels_travel_side_by_side():
    pairs = np.array([[1, -1], [2, -2], [300, -300]], dtype=np.int16)
    found, samples = characters(listening_samples("a", pairs, rate=48000))
    assert samples.tolist() == [1, -1, 2, -2, 300, -300]
    assert (found["channels"], found["frames"]) == (2, 3)


def test_nothing_in_the_script_can_end_its_string():
    # ECMAScript, StringLiteral: no quote, backslash, carriage return or line feed. The
    # Unicode Standard, 3.9: no surrogate on its own. The byte order mark comes once.
    every = np.arange(-32768, 32768, dtype=np.int16)
    text = bytes(listening_samples("a", every, rate=1)[2:]).decode("utf-16-le")
    data = text[text.index('"data":"') + 8 : -5]
    for escape in range(data.count("\\")):
        at = data.index("\\")
        assert data[at + 1] == "u", escape
        data = data[:at] + data[at + 6 :]
    assert not set(data) & {'"', "\\", "\r", "\n", "\0", "\ufeff", "\ufffe", "\uffff"}
    assert max(data) < "\ud800"


def test_quiet_samples_take_two_bytes_each():
    quiet = np.zeros(50_000, dtype=np.int16)
    assert len(listening_samples("a", quiet, rate=48000)) < 2 * 50_000 + 300


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
