"""Take sheets: what spreadsheets write, and round trips that lose nothing."""

import math
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.day.weave import captures_of, with_captures
from pipeline.errors import ManifestError
from pipeline.files.takes import captures_to_csv, numbered_captures

TEXT = st.text(
    st.characters(blacklist_categories=("Cs",), blacklist_characters="\0"), max_size=20
)
NUMBER = st.floats(-1000, 1000, allow_nan=False).map(lambda x: round(x, 3))
FREE = st.one_of(TEXT, NUMBER, st.integers(-99, 99), st.booleans(), st.lists(TEXT))
NAME = TEXT.filter(lambda text: text.strip(" \t\xa0"))
CAPTURE = st.fixed_dictionaries(
    {"file": NAME},
    optional={
        "id": NAME,
        "channel": st.integers(1, 64),
        "pass": NAME,
        "position": TEXT,
        "notes": TEXT,
        "photo": NAME,
        "distance_mm": NUMBER,
        "angle_deg": NUMBER,
        "control": st.booleans(),
        "tags": st.lists(TEXT, max_size=3),
        "private": st.dictionaries(
            st.from_regex(r"[a-z]{1,6}", fullmatch=True), FREE, min_size=1, max_size=3
        ),
    },
)


def captures_in(sheet: bytes) -> list[dict]:
    return [capture for _, capture in numbered_captures(sheet)]


@settings(max_examples=150, deadline=None)
@given(st.lists(CAPTURE, min_size=1, max_size=4), st.sampled_from(",;"))
def test_captures_survive_the_spreadsheet(captures: list[dict], mark: str) -> None:
    # Property: reading is the inverse of writing.
    data = captures_to_csv(captures, comma=mark == ",").encode("utf-8-sig")
    found = captures_in(data)
    assert len(found) == len(captures)
    for new, old in zip(found, captures, strict=True):
        assert new.keys() == old.keys()
        for key in old:
            if isinstance(old[key], float):
                assert math.isclose(new[key], old[key])
            else:
                assert new[key] == old[key]


def test_a_sheet_with_semicolons_commas_and_repeats() -> None:
    sheet = (
        "\ufeffas;id;file;mic;distance_mm;control;tags;private.fee\r\n"
        ";a;a.wav;rib;12,5;yes;dark | warm;80,5\r\n"
        "previous;b;b.wav;;25;;;\r\n"
        ";;;;;;;\r\n"
        "a;c;c.wav;-;;no;;\r\n"
    )
    assert captures_in(sheet.encode()) == [
        {
            "id": "a",
            "file": "a.wav",
            "mic": "rib",
            "distance_mm": 12.5,
            "control": True,
            "tags": ["dark", "warm"],
            "private": {"fee": 80.5},
        },
        {
            "id": "b",
            "file": "b.wav",
            "mic": "rib",
            "distance_mm": 25,
            "control": True,
            "tags": ["dark", "warm"],
            "private": {"fee": 80.5},
        },
        {
            "id": "c",
            "file": "c.wav",
            "distance_mm": 12.5,
            "control": False,
            "tags": ["dark", "warm"],
            "private": {"fee": 80.5},
        },
    ]


@pytest.mark.parametrize(
    ("sheet", "said"),
    [
        (b"", "is empty"),
        (b"file,colour\na.wav,red\n", "column 'colour'"),
        (b"file,distance_mm\na.wav,near\n", "row 2, distance_mm: found 'near'"),
        (b"id,file\nx,\n", "row 2, file: is empty"),
        (b"as,file\nnobody,a.wav\n", "no row above is 'nobody'"),
        (b"file\na.wav,b\n", "more cells"),
        ("file\n\xe4.wav\n".encode("latin-1"), "not UTF-8"),
    ],
)
def test_mistakes_name_their_place(sheet: bytes, said: str) -> None:
    with pytest.raises(ManifestError, match=said):
        captures_in(sheet)


MANIFEST = """\
format = 1 # one
# the night
[session]
name = "x" # here

[di]
file = "di.wav"

[[capture]] # first
id = "a"
file = "a.wav" # keep me
distance_mm = 25

[[capture]]
id = "b"
file = "b.wav"

[[blend]]
id = "sum" # last
parts = [{capture = "a"}, {capture = "b"}]
"""


def test_an_unchanged_sheet_changes_not_one_byte() -> None:
    sheet = captures_to_csv(captures_of(MANIFEST), comma=True).encode()
    assert with_captures(MANIFEST, captures_in(sheet)) == MANIFEST


def test_a_changed_sheet_changes_only_captures_and_keeps_comments() -> None:
    rows = captures_of(MANIFEST)
    rows[0]["distance_mm"] = 50
    rows[1] = {"id": "c", "file": "c.wav"}
    text = with_captures(MANIFEST, rows)
    assert tomllib.loads(text)["capture"] == rows
    for comment in ("# one", "# the night", "# here", "# keep me", "# last"):
        assert comment in text
