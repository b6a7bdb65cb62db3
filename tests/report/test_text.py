"""Words and figures of the page: truth by construction."""

import pytest

from pipeline.models.record import Place
from pipeline.report import places, text, titles


@pytest.mark.parametrize(
    ("value", "digits", "unit", "shown"),
    [
        (None, 1, "dB", "\u2013"),
        (-12.34, 1, "dB", "\u221212.3\u00a0dB"),
        (-0.04, 1, "", "0.0"),
        (3.0, 0, "Hz", "3\u00a0Hz"),
    ],
)
def test_number(value, digits, unit, shown):
    assert text.number(value, digits, unit) == shown


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.5, "+0.5"), (-0.5, "\u22120.5"), (0.0, "+0.0"), (-1e-16, "+0.0")],
)
def test_signed(value, shown):
    assert text.signed(value, 1) == shown


@pytest.mark.parametrize(
    ("hz", "shown"),
    [(315.0, "315\u00a0Hz"), (1000.0, "1\u00a0kHz"), (2512.0, "2.5\u00a0kHz")],
)
def test_hertz(hz, shown):
    assert text.hertz(hz) == shown


def test_clock_rounds_to_seconds():
    assert text.clock(185.4) == "3:05"
    assert text.clock(59.6) == "1:00"


def test_listed():
    assert text.listed([]) == ""
    assert text.listed(["a"]) == "a"
    assert text.listed(["a", "b", "c"]) == "a, b and c"


def test_label_tells_the_unit():
    assert text.label("temperature_c") == "Temperature, \u00b0C"
    assert text.label("pickup_position") == "Pickup position"
    assert text.label("c") == "C"


def test_value_of_nested_tables():
    found = text.value({"bass": 5, "on": True, "chain": ["a", None]})
    assert found == "bass: 5; on: yes; chain: a, \u2013"


def test_place_tells_what_is_known_only():
    assert places.place(Place()) == ""
    spot = Place(speaker="left", offset_mm=35.0, distance_mm=25.0, angle_deg=45.0)
    assert places.place(spot) == (
        "left speaker, 35\u00a0mm from the cap's centre, 25\u00a0mm\u00a0away, "
        "45\u00b0 off axis"
    )


@pytest.mark.parametrize(
    ("path", "link"),
    [
        ("audio/a b.wav", "./audio/a%20b.wav"),
        ("javascript:alert(1)", "./javascript%3Aalert%281%29"),
        ("audio/#1?.wav", "./audio/%231%3F.wav"),
        ("audio\\a.wav", "./audio/a.wav"),
    ],
)
def test_link_is_relative_and_encoded(path, link):
    # RFC 3986: reserved characters in a path segment are percent-encoded.
    assert text.link(path) == link


def test_every_finding_code_has_a_title():
    from pipeline.models.record import FINDING_CODES

    assert set(FINDING_CODES) <= set(titles.FINDING_TITLES)


def test_signs_become_true_minus_signs_and_names_stay():
    told = text.told("p07-dark: -70.3 dBFS at 80-200 Hz (-3 dB), 2031-05-17, a -b")
    assert told == (
        "p07-dark: \u221270.3 dBFS at 80-200 Hz (\u22123 dB), 2031-05-17, a -b"
    )
    assert text.value(-21.5) == "\u221221.5"


def test_a_range_is_written_as_people_write_it():
    assert text.told("move it 25 +- 2 mm: -2.0 dB") == (
        "move it 25 \u00b1 2 mm: \u22122.0 dB"
    )
