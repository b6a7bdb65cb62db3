"""EBU Tech 3285 v2: layout of section 2.3, worked examples of section 2.4."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.files.bext import (
    BextFields,
    build_bext,
    coding_history_line,
    hundredths,
    parse_bext,
)


@pytest.mark.parametrize(
    ("level", "integer", "code"),
    [
        # The six examples printed in Tech 3285 section 2.4.
        (-22.644, -2264, 0xF728),
        (-22.645, -2265, 0xF727),
        (-22.646, -2265, 0xF727),
        (12.764, 1276, 0x04FC),
        (12.765, 1277, 0x04FD),
        (12.766, 1277, 0x04FD),
        # By the same rule, and the ends of the range that the section allows.
        (-23.0, -2300, 0xF704),
        (-1.0, -100, 0xFF9C),
        (-0.01, -1, 0xFFFF),
        (99.99, 9999, 0x270F),
        (-99.99, -9999, 0xD8F1),
        (0.0, 0, 0x0000),
        (-0.0, 0, 0x0000),
        # Unused, and what does not fit.
        (None, 0x7FFF, 0x7FFF),
        (-100.0, 0x7FFF, 0x7FFF),
        (99.995, 0x7FFF, 0x7FFF),
    ],
)
def test_loudness_integers(level, integer, code):
    assert hundredths(level) == integer
    body = build_bext(BextFields(loudness_value_lufs=level))
    assert struct.unpack_from("<H", body, 412)[0] == code


def test_a_range_is_never_negative():
    """Tech 3285 section 2.4: LoudnessRange 0000h to 270Fh."""
    assert hundredths(-0.5, signed=False) == 0x7FFF
    assert hundredths(6.5, signed=False) == 650


@pytest.mark.parametrize("level", [float("nan"), float("inf"), float("-inf")])
def test_levels_must_be_finite(level):
    with pytest.raises(ValueError, match="finite"):
        build_bext(BextFields(max_true_peak_dbtp=level))


def test_layout():
    """Offsets of Tech 3285 section 2.3."""
    body = build_bext(
        BextFields(
            description="di and mic",
            originator="originator",
            originator_reference="reference",
            origination_date="2024-02-29",
            origination_time="10-30-15",
            time_reference_samples=0x0123456789ABCDEF,
            loudness_value_lufs=-23.0,
            loudness_range_lu=6.5,
            max_true_peak_dbtp=-1.0,
            max_momentary_lufs=-18.2,
            max_short_term_lufs=-20.0,
            coding_history=("A=ANALOGUE,M=mono,T=cabinet",),
        )
    )
    assert body[0:256] == b"di and mic".ljust(256, b"\0")
    assert body[256:288] == b"originator".ljust(32, b"\0")
    assert body[288:320] == b"reference".ljust(32, b"\0")
    assert body[320:338] == b"2024-02-2910-30-15"
    assert struct.unpack_from("<II", body, 338) == (0x89ABCDEF, 0x01234567)
    assert struct.unpack_from("<H", body, 346) == (2,)
    assert body[348:412] == bytes(64)
    assert struct.unpack_from("<5h", body, 412) == (-2300, 650, -100, -1820, -2000)
    assert body[422:602] == bytes(180)
    assert body[602:] == b"A=ANALOGUE,M=mono,T=cabinet\r\n\0"
    assert len(body) % 2 == 0


@pytest.mark.parametrize(
    ("seconds", "rate_hz", "low", "high"),
    [
        # Consequences of the definition: samples since midnight, in two words.
        (3_600.0, 48_000, 0x0A4CB800, 0),
        (86_399.0, 192_000, 0xDCC21200, 3),
        (37_815.5, 44_100, 1_667_663_550, 0),
    ],
)
def test_time_reference(seconds, rate_hz, low, high):
    body = build_bext(BextFields(time_reference_samples=round(seconds * rate_hz)))
    assert struct.unpack_from("<II", body, 338) == (low, high)
    assert parse_bext(body).time_reference_samples == (high << 32) + low


@pytest.mark.parametrize("samples", [-1, 2**64])
def test_time_reference_must_fit(samples):
    with pytest.raises(ValueError, match="64 bits"):
        build_bext(BextFields(time_reference_samples=samples))


def test_text_is_printable_ascii():
    text = "Gr\u00fc\u00dfe \u2013 cap\nedge\u202e\u4e2d"
    body = build_bext(BextFields(description=text, coding_history=("T=a\r\nb",)))
    assert body[:256].rstrip(b"\0") == b"Grusse - cap edge ?"
    assert body[602:] == b"T=a  b\r\n"


def test_long_text_is_cut():
    body = build_bext(BextFields(description="x" * 300, originator="y" * 40))
    assert body[:288] == b"x" * 256 + b"y" * 32
    assert parse_bext(body).description == "x" * 256


def test_coding_history_has_no_commas_in_its_text():
    """Form of EBU R 98: A=, F=, W=, M=, T= with free text without commas."""
    line = coding_history_line(48_000, "aligned, levelled")
    assert line == "A=PCM,F=48000,W=24,M=mono,T=aligned; levelled"


@pytest.mark.parametrize("version", [0, 1])
def test_older_versions_have_no_loudness(version):
    body = bytearray(build_bext(BextFields(loudness_value_lufs=-23.0)))
    struct.pack_into("<H", body, 346, version)
    assert parse_bext(bytes(body)).loudness_value_lufs is None


@pytest.mark.parametrize("code", [0x7FFF, 0x2710, 0xD8F0, 0x8000])
def test_values_outside_the_allowed_range_are_ignored(code):
    """Tech 3285 section 2.4: what lies outside is to be ignored when reading."""
    body = bytearray(build_bext(BextFields()))
    struct.pack_into("<5H", body, 412, *[code] * 5)
    parsed = parse_bext(bytes(body))
    assert parsed.loudness_value_lufs is None
    assert parsed.loudness_range_lu is None
    assert parsed.max_short_term_lufs is None


def test_a_short_chunk_is_refused():
    with pytest.raises(ValueError, match="602"):
        parse_bext(bytes(601))


levels = st.none() | st.integers(-9_999, 9_999).map(lambda whole: whole / 100)
words = st.text(st.characters(codec="ascii", categories=["L", "N"]), max_size=32)


@given(words, st.integers(0, 2**64 - 1), levels, levels, st.lists(words, max_size=3))
def test_what_was_built_is_parsed(text, samples, level, peak, history):
    fields = BextFields(
        description=text,
        originator=text,
        time_reference_samples=samples,
        loudness_value_lufs=level,
        max_true_peak_dbtp=peak,
        coding_history=tuple(line for line in history if line),
    )
    assert parse_bext(build_bext(fields)) == fields


@given(st.binary(max_size=800))
def test_any_bytes_are_parsed_or_refused(body):
    try:
        parsed = parse_bext(body)
    except ValueError:
        assert len(body) < 602
    else:
        assert 0 <= parsed.time_reference_samples < 2**64
