"""Rules of the three systems; Windows' are Microsoft's, "Naming Files"."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import OutputError
from pipeline.files.names import (
    ascii_text,
    inside,
    response_names,
    safe_name,
    slug,
    unique_names,
    unspaced,
)

any_text = st.text(max_size=140) | st.text("aA.<>:\\/ -\u202ecCoOnN1\u00e9e\u0301")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("p01-bright", "p01-bright"),
        ("cap edge 25 mm", "cap edge 25 mm"),
        ('a/b\\c:d*e?f"g<h>i|j', "a-b-c-d-e-f-g-h-i-j"),
        ("../../up", "up"),
        ("..", "unnamed"),
        ("", "unnamed"),
        ("trailing. . ", "trailing"),
        (" .hidden", "hidden"),
        ("-rf", "rf"),
        ("CON", "_CON"),
        ("nul.wav", "_nul.wav"),
        ("com1", "_com1"),
        ("LPT\u00b9", "_LPT\u00b9"),
        ("con ", "_con"),
        ("console", "console"),
        ("line\nbreak\ttab", "line break tab"),
        ("right\u202eleft\u200b", "rightleft"),
        ("nul\0byte\x1b", "nulbyte"),
        ("e\u0301", "\u00e9"),
        ("<script>alert(1)</script>", "script-alert(1)--script"),
        ("\ud800", "unnamed"),
    ],
)
def test_safe_name(text, expected):
    assert safe_name(text) == expected


@given(any_text)
def test_every_name_is_safe(text):
    name = safe_name(text)
    assert 1 <= len(name.encode("utf-8")) <= 120
    assert not set('<>:"/\\|?*') & set(name)
    assert name == name.strip(" .")
    assert name == unicodedata.normalize("NFC", name)
    assert all(unicodedata.category(c) not in ("Cc", "Cf", "Cs") for c in name)
    assert name.split(".")[0].rstrip().lower() not in ("con", "nul", "aux", "com1")


@given(any_text)
def test_a_safe_name_stays_as_it_is(text):
    name = safe_name(text)
    assert safe_name(name) == name


def test_names_of_any_length_can_be_made(tmp_path):
    """255 bytes are the most that the three systems share."""
    long = ["x" * 255, "\U0001f3b8" * 200, "x" * 254 + "y"]
    names = [safe_name(text) for text in long]
    assert len(set(names)) == 3
    for name in names:
        (tmp_path / f"{name}.wav").write_bytes(b"")


def test_names_differ_by_more_than_capitals():
    names = unique_names(["Bright", "bright", "BRIGHT", "a/b", "a:b", "stra\u00dfe"])
    assert names["Bright"] == "Bright"
    assert names["a/b"] == "a-b"
    assert len({name.casefold() for name in names.values()}) == 6


def test_an_appended_identifier_renames_nothing():
    before = unique_names(["Bright", "bright", "a/b"])
    after = unique_names(["Bright", "bright", "a/b", "A/B", "a:b"])
    assert before.items() <= after.items()


def test_a_planted_collision():
    """Somebody names a capture just as the digits would have."""
    taken = unique_names(["x", "X"])["X"]
    assert len({n.casefold() for n in unique_names(["x", taken, "X"]).values()}) == 3


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("near + far -1.5 dB aligned", "near+far_-1.5_dB_aligned"),
        ("both  close\tones ", "both_close_ones"),
        ("a +6.0 dB", "a_+6.0_dB"),
        ("plain", "plain"),
    ],
)
def test_a_name_without_blanks(text, expected):
    assert unspaced(text) == expected


def test_names_that_are_spelt_alike_stay_apart():
    names = unique_names(["a_b", "a b", "a  b"], unspaced)
    assert names["a_b"] == "a_b"
    assert len(set(names.values())) == 3
    assert not any(" " in name for name in names.values())


def test_an_identifier_comes_once():
    with pytest.raises(ValueError, match="comes twice"):
        unique_names(["a", "a"])


@given(st.lists(any_text, unique=True, max_size=8))
def test_names_are_unique_and_safe(ids):
    names = unique_names(ids)
    assert list(names) == ids
    seen = {unicodedata.normalize("NFC", n.casefold()) for n in names.values()}
    assert len(seen) == len(ids)
    assert all(safe_name(name) == name for name in names.values())


def test_names_of_responses_are_unique_whatever_the_ids_say():
    names = response_names(["a", "b/c", "b:c", "a minimum phase", "a"])
    assert names["a"][0] == "a"
    assert list(names) == ["a", "b/c", "b:c", "a minimum phase"]
    assert names["b/c"] == ("b-c", "b-c minimum phase")
    every = [name for pair in names.values() for name in pair]
    assert len(set(every)) == len(every) == 8


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Signal Box, night 2!", "signal-box-night-2"),
        ("Caf\u00e9 \u2013 \u00dcbung", "cafe-ubung"),
        ("x" * 60, "x" * 60),
        ("Con", "con-session"),
    ],
)
def test_slug(text, expected):
    assert slug(text) == expected


@given(any_text)
def test_every_slug_is_plain(text):
    assert set(slug(text)) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    assert slug(text)[0] != "-"
    assert len(slug(text)) <= 68


@pytest.mark.parametrize(
    ("one", "other", "start"),
    [
        ("\u591c", "\u671d", "unnamed-"),
        ("\u591c 1", "\u671d 1", "1-"),
        ("\u591c? 1", "\u671d? 1", "1-"),
        ("long " * 20 + "one", "long " * 20 + "two", "long-long-"),
    ],
)
def test_what_a_slug_loses_still_tells_it_from_others(one, other, start):
    assert slug(one) != slug(other)
    for text in (one, other):
        assert slug(text).startswith(start)
        assert len(slug(text)) <= 60


@given(any_text)
def test_ascii_text_is_printable(text):
    assert all(" " <= c <= "~" for c in ascii_text(text))


def test_inside(tmp_path):
    assert inside(tmp_path, tmp_path / "audio" / "a.wav").name == "a.wav"
    assert inside(tmp_path, "audio/../b.wav") == tmp_path.resolve() / "b.wav"


@pytest.mark.parametrize("candidate", ["..", "../x", "a/../../x", ".", "nul\0"])
def test_outside_is_refused(tmp_path, candidate):
    with pytest.raises(OutputError, match=r"outside|cannot be resolved"):
        inside(tmp_path, candidate)


def test_absolute_paths_and_links_do_not_lead_outside(tmp_path):
    base = tmp_path / "base"
    base.mkdir()
    with pytest.raises(OutputError, match="outside"):
        inside(base, tmp_path / "x")
    with pytest.raises(OutputError, match="outside"):
        inside(base, tmp_path / "base-neighbour")
    try:
        (base / "link").symlink_to(tmp_path)
        (base / "loop").symlink_to(base / "loop")
    except OSError as error:
        pytest.skip(f"no links on this system: {error}")
    with pytest.raises(OutputError, match="outside"):
        inside(base, "link/x")
