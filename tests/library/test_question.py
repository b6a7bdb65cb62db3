"""Authority: the grammar as documented; every text is either read or refused."""

from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.library.question import (
    Comparison,
    Join,
    Not,
    parse_condition,
    split_words,
)
from pipeline.library.refusals import QueryError


def test_number_and_text() -> None:
    assert parse_condition("distance_mm < 50") == Comparison(
        "distance_mm", "<", "50", 50.0
    )
    assert parse_condition("Distance_MM<=-1.5e2").number == -150.0
    assert parse_condition("mic ~ ribbon") == Comparison("mic", "~", "ribbon")


def test_words_in_a_row_are_one_text_and_quotes_keep_numbers_text() -> None:
    assert parse_condition("position = cap edge").text == "cap edge"
    assert parse_condition('gain = "7"') == Comparison(
        "gain", "=", "7", None, quoted=True
    )
    assert parse_condition("name = 'and or not'").text == "and or not"


def test_and_binds_tighter_than_or() -> None:
    found = parse_condition("a = 1 or b = 2 and not c")
    a, b = Comparison("a", "=", "1", 1.0), Comparison("b", "=", "2", 2.0)
    assert found == Join("or", (a, Join("and", (b, Not(Comparison("c", "known"))))))


def test_brackets() -> None:
    found = parse_condition("(a = 1 or b = 2) and c")
    assert isinstance(found, Join)
    assert found.word == "and"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "a <",
        "< 5",
        "a = 1 b = 2",
        "(a = 1",
        "a = 1)",
        "and",
        "a = 'x",
        "a ! b",
        "a = (",
    ],
)
def test_what_cannot_be_read_is_refused(text: str) -> None:
    with pytest.raises(QueryError):
        parse_condition(text)


def test_depth_and_length_are_bounded() -> None:
    with pytest.raises(QueryError, match="at most"):
        parse_condition("(" * 500 + "a" + ")" * 500)
    with pytest.raises(QueryError, match="at most"):
        parse_condition("a = " + "x" * 5000)


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=60))
def test_any_text_is_read_or_refused(text: str) -> None:
    with suppress(QueryError):
        parse_condition(text)
    assert isinstance(split_words(text), tuple)


def test_words_and_phrases() -> None:
    assert split_words('ribbon "cap  edge" +') == ("ribbon", "cap  edge")
