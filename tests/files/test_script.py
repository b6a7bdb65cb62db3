"""JSON inside a script element: what could end it never stands in it."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.files.script import as_script


@given(st.text())
def test_survives_and_cannot_end_the_element(words):
    # HTML standard: a script ends at "</script", and "<!--" changes its parsing;
    # U+2028 and U+2029 ended lines in JavaScript before ES2019.
    found = as_script({words: words})
    assert not set(found) & set("<>&\u2028\u2029")
    assert json.loads(found) == {words: words}


def test_refuses_what_is_not_finite():
    with pytest.raises(ValueError, match="JSON"):
        as_script({"x": float("nan")})
