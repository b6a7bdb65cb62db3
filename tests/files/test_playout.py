"""Sidecars of play-out files that are none."""

import pytest

from pipeline.errors import RecordError
from pipeline.files.playout import find_layouts, read_layout


@pytest.mark.parametrize("text", ["[" * 100_000, "", "{}", "\x00"])
def test_what_is_no_sidecar_is_refused_and_passed_over(tmp_path, text):
    path = tmp_path / "x.playout.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordError, match=r"x\.playout\.json"):
        read_layout(path)
    assert find_layouts(tmp_path, "0" * 64) == ()
