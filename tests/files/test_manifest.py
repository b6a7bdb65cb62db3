"""Manifests: all mistakes at once, each with its place and the nearest name."""

from pathlib import Path

import pytest

from pipeline.dsp.mix import MOST_MICS
from pipeline.errors import ManifestError
from pipeline.files.manifest import read_plan
from pipeline.models.references import MOST_SEARCHED

GOOD = """
format = 1
[session]
name = "Signal box"
room = "upper floor"
date = 2026-03-01
[di]
file = "audio/di.wav"
[setup.clean]
cabinet = "pair"
treble = 5
[setup.loud]
like = "clean"
gain = "3 o'clock"
[cabinet.pair]
height_mm = 120
speakers = [{ id = "left", x_mm = 200, y_mm = 300 }, { id = "right" }]
[mic.dark]
type = "ribbon"
[mic.darker]
like = "dark"
pad = true
[[capture]]
file = "audio/p01.wav"
channel = 1
pass = "p01"
setup = "loud"
mic = "darker"
speaker = "left"
distance_mm = 20
[[capture]]
file = "audio/p01.wav"
channel = 2
pass = "p01"
private = { price = 3 }
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "session.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_inheritance_is_flattened_and_free_keys_pass_through(tmp_path):
    plan = read_plan(write(tmp_path, GOOD))
    assert plan.recalls.setup["loud"] == {
        "cabinet": "pair",
        "treble": 5,
        "gain": "3 o'clock",
    }
    assert plan.recalls.mic["darker"] == {"type": "ribbon", "pad": True}
    assert plan.manifest.session.recall == {
        "room": "upper floor",
        "date": "2026-03-01",
    }
    assert plan.captures[1].written.private == {"price": 3}


def test_captures_get_ids_passes_and_paths(tmp_path):
    plan = read_plan(write(tmp_path, GOOD))
    assert [capture.id for capture in plan.captures] == ["p01-ch1", "p01-ch2"]
    assert {capture.pass_id for capture in plan.captures} == {"p01"}
    assert plan.captures[0].path == tmp_path / "audio" / "p01.wav"
    assert plan.captures[0].rig == "loud"


@pytest.mark.parametrize("second", ["take2/gtr.wav", "take2\\\\gtr.wav"])
def test_files_of_one_name_in_two_folders_are_two_passes(tmp_path, second):
    head, _, _ = GOOD.partition("[[capture]]")
    files = ["take1/gtr.wav", "take1/gtr.wav", second, second]
    entries = "".join(
        f'[[capture]]\nid = "{k}"\nfile = "{file}"\nchannel = {1 + k % 2}\n'
        for k, file in enumerate(files)
    )
    plan = read_plan(write(tmp_path, head + entries))
    one, same, other, last = (capture.pass_id for capture in plan.captures)
    assert (one, other) == (same, last)
    assert one != other


def test_a_file_and_its_namesake_with_two_channels_are_two_passes(tmp_path):
    head, _, _ = GOOD.partition("[[capture]]")
    stereo = '[[capture]]\nfile = "b/gtr.wav"\nchannel = '
    entries = f'[[capture]]\nfile = "a/gtr.wav"\n{stereo}1\n{stereo}2\n'
    plan = read_plan(write(tmp_path, head + entries))
    alone, one, same = (capture.pass_id for capture in plan.captures)
    assert one == same
    assert one != alone


@pytest.mark.parametrize("lufs", [-60, -4.9, "nan"])
def test_a_level_at_which_loudness_is_undefined_is_a_mistake(tmp_path, lufs):
    text = f"{GOOD}[loudness]\ntarget_lufs = {lufs}\n"
    with pytest.raises(ManifestError, match=r"\[loudness\], target_lufs"):
        read_plan(write(tmp_path, text))


@pytest.mark.parametrize("file", ["/", ".", "./"])
def test_a_path_without_a_name_is_no_capture(tmp_path, file):
    text = GOOD + f'[[capture]]\nfile = "{file}"\n' * 2
    with pytest.raises(ManifestError, match=r"\[\[capture\]\] 3 .*names no file"):
        read_plan(write(tmp_path, text))


def test_channels_of_one_file_share_a_pass_by_default(tmp_path):
    text = GOOD.replace('pass = "p01"\n', "")
    plan = read_plan(write(tmp_path, text))
    assert len({capture.pass_id for capture in plan.captures}) == 1


def test_byte_order_mark_and_windows_line_ends_are_fine(tmp_path):
    path = tmp_path / "session.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert read_plan(path).name == "Signal box"


def test_all_mistakes_come_at_once(tmp_path):
    text = (
        GOOD.replace("distance_mm = 20", 'distence_mm = 20\nangle_deg = "far"')
        .replace('setup = "loud"', 'setup = "lowd"')
        .replace('like = "dark"', 'like = "darker"')
        .replace('speaker = "left"', 'speaker = "lefft"')
        .replace("height_mm = 120", 'height_mm = "low"')
        .replace("[di]", "[di]\nchanel = 1")
    )
    with pytest.raises(ManifestError) as refusal:
        read_plan(write(tmp_path, text))
    message = str(refusal.value)
    assert str(tmp_path / "session.toml") in message
    assert "[[capture]] 1 (audio/p01.wav), distence_mm" in message
    assert "'distance_mm'" in message
    assert '[[capture]] 1 (audio/p01.wav), angle_deg: found "far"' in message
    assert "the nearest is 'loud'" in message
    assert "[mic.darker], like: found 'darker', which leads back in a circle" in message
    assert '[cabinet.pair], height_mm: found "low", expected a number' in message
    assert "[di], chanel" in message
    assert "'channel'" in message


def test_speakers_are_checked_through_inheritance(tmp_path):
    text = GOOD.replace('speaker = "left"', 'speaker = "lefft"')
    with pytest.raises(ManifestError, match="the nearest is 'left'"):
        read_plan(write(tmp_path, text))


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("format = 1", "format = 2"), "format"),
        (("format = 1", ""), "format: is missing"),
        (('id = "left"', 'idd = "left"'), "speakers.1.id: is missing"),
        (('name = "Signal box"', ""), "name: is missing"),
        (("channel = 2", "channel = 0"), "channel: found 0"),
        (("channel = 2", "channel = 1"), "already the id"),
        (('file = "audio/di.wav"', "file = 3"), "found 3, expected text in quotes"),
        (("distance_mm = 20", "distance_mm = inf"), "distance_mm"),
        (
            ('name = "Signal box"', 'name = ""'),
            r'\[session\], name: found "", expected a text with something in it$',
        ),
        (
            ('file = "audio/di.wav"', 'file = ""'),
            r'\[di\], file: found "", expected a text with something in it$',
        ),
        (
            ("[setup.clean]", '[setup.""]\n[setup.clean]'),
            r'\[setup\.""\]: found "", expected a text with something in it$',
        ),
        (
            ('id = "left"', f'id = "{"x" * 201}"'),
            r"speakers\.1\.id: found .*, expected 200 characters at most",
        ),
        (
            ('file = "audio/p01.wav"\nchannel = 2', 'file = ""\nchannel = 2'),
            r'\[\[capture\]\] 2, file: found "", expected a text',
        ),
    ],
)
def test_each_mistake_is_named(tmp_path, change, expected):
    with pytest.raises(ManifestError, match=expected):
        read_plan(write(tmp_path, GOOD.replace(*change)))


BLEND = """
[[blend]]
id = "mixed"
parts = [{ capture = "%s" }, { capture = "%s" }]
"""


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (('id = "mixed"', 'id = "DI (dry)"'), "'DI .dry.' is already taken"),
        (('id = "mixed"', 'id = "CAPTURE"'), "'CAPTURE' is already taken"),
        (('{ capture = "OTHER" }', '{ capture = "CAPTURE" }'), "already; name it once"),
        (
            (', { capture = "OTHER" }', ""),
            r"mixed., parts: found .*, expected 2 entries in the list, or more$",
        ),
        (("parts", "nearest = {}\nparts"), "either `capture` or `file`"),
        (
            ("parts", 'nearest = { capture = "OTHER", file = "a.wav" }\nparts'),
            "either `capture` or `file`",
        ),
        (("parts", 'nearest = { capture = "OTHR" }\nparts'), "the nearest is 'OTHER'"),
        (("parts", 'nearest = { filename = "a.wav" }\nparts'), "did you mean 'file'"),
        (
            ("parts = [{ ", 'nearest = { file = "a.wav" }\nparts = [{ gain_db = -3, '),
            "mixed., parts.1.gain_db: the gains are searched",
        ),
    ],
)
def test_a_blend_that_cannot_be_made_is_named(tmp_path, change, expected):
    plan = read_plan(write(tmp_path, GOOD))
    first, second = (capture.id for capture in plan.captures[:2])
    before, after = (
        text.replace("CAPTURE", first).replace("OTHER", second) for text in change
    )
    if "OTHR" in after:
        after, expected = after.replace("OTHR", second[:-1]), f"nearest is '{second}'"
    text = GOOD + (BLEND % (first, second)).replace(before, after, 1)
    expected = expected.replace("CAPTURE", first).replace("OTHER", second)
    with pytest.raises(ManifestError, match=expected):
        read_plan(write(tmp_path, text))


def test_the_gains_of_five_at_most_are_searched(tmp_path):
    plan = read_plan(write(tmp_path, GOOD))
    captures = "".join(f'[[capture]]\nfile = "audio/{k}.wav"\n' for k in range(6))
    parts = ", ".join(f'{{ capture = "{k}" }}' for k in range(6))
    text = (
        f'{GOOD}{captures}[[blend]]\nid = "six"\nparts = [{parts}]\n'
        f'nearest = {{ capture = "{plan.captures[0].id}" }}\n'
    )
    with pytest.raises(ManifestError, match="found 6 parts; the gains of 5 at most"):
        read_plan(write(tmp_path, text))
    assert MOST_SEARCHED == MOST_MICS


def test_no_capture_takes_the_dis_name(tmp_path):
    text = f'{GOOD}[[capture]]\nfile = "audio/DI (dry).wav"\n'
    with pytest.raises(ManifestError, match="is the DI's own name; choose another"):
        read_plan(write(tmp_path, text))


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"\xff\xfe\x00", "UTF-8"),
        (b"format = ", "not valid TOML"),
        (b"", "format"),
        (b"[[capture]]\n", "capture"),
        (b"capture = 3\nblend = 4\nsetup = 5\nmic = [1]\nsession = []", "capture"),
        (b"a = " + b"[" * 3000 + b"]" * 3000, "manifest"),
    ],
)
def test_files_that_are_no_manifest(tmp_path, content, expected):
    path = tmp_path / "session.toml"
    path.write_bytes(content)
    with pytest.raises(ManifestError, match=expected):
        read_plan(path)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(ManifestError, match="does not exist"):
        read_plan(tmp_path / "nowhere.toml")
    with pytest.raises(ManifestError, match=r"is a folder.*reamps draft"):
        read_plan(tmp_path)
    (tmp_path / "night.toml").touch()
    with pytest.raises(ManifestError, match=r"such as .*night\.toml"):
        read_plan(tmp_path)


def test_a_free_key_that_is_nearly_a_known_one_is_told(tmp_path):
    text = GOOD.replace("[di]", "temprature_c = 12\ntemper = 3\n[di]", 1)
    text = text.replace("[mic.darker]", '[mic.darker]\ntyp = "condenser"', 1)
    plan = read_plan(write(tmp_path, text))
    said = [f"{found.message} {found.fix}" for found in plan.near_misses]
    assert len(said) == 2
    assert "[session] temprature_c" in said[0]
    assert "'temperature_c'" in said[0]
    assert "[mic.darker] typ" in said[1]
    # It still passes through, as free keys do.
    assert plan.manifest.session.recall["temprature_c"] == 12
    assert read_plan(write(tmp_path, GOOD)).near_misses == ()
