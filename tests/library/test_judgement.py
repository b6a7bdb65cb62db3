"""Authority: arithmetic written out by hand; what is no arithmetic is refused."""

import math

import numpy as np
import pytest

from pipeline.library.catalogue import Catalogue
from pipeline.library.formula import Formula
from pipeline.library.judgement import BUILT_IN, judgements, named, rank
from pipeline.library.refusals import QueryError
from tests.library import invented


def test_formula_by_hand() -> None:
    formula = Formula("presence_db - 0.5 * mud_db + 6 * log2(brightness_hz / 1500)")
    values = formula.values(
        {
            "presence_db": np.array([-10.0, np.nan]),
            "mud_db": np.array([-6.0, 1.0]),
            "brightness_hz": np.array([3000.0, 1.0]),
        }
    )
    assert values[0] == pytest.approx(-10 + 3 + 6)
    assert math.isnan(values[1])
    assert formula.keys == ("presence_db", "mud_db", "brightness_hz")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "__import__('os').system('x')",
        "presence_db.__class__",
        "presence_db ** 9",
        "[1]",
        "lambda: 1",
        "presence_db if 1 else 2",
        "unknown_db",
        "min(presence_db)",
        "log2(presence_db, base=2)",
        "True",
        "'a' * 3",
        "1e99 * mud_db",
        "(" * 400 + "1" + ")" * 400,
        "-" * 990 + "1",
        "1;2",
        "mud_db < 3",
    ],
)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(QueryError):
        Formula(text)


def test_results_that_are_none_are_absent() -> None:
    values = Formula("1 / hum_db + sqrt(mud_db)").values(
        {"hum_db": np.array([0.0, 1.0]), "mud_db": np.array([1.0, -1.0])}
    )
    assert np.isnan(values).all()


def test_every_term_is_explained_with_its_unit() -> None:
    """No word without its Hz or dB."""
    for judgement in BUILT_IN:
        lines = judgement.formula.terms()
        assert len(lines) == len(judgement.formula.keys) > 0
        assert all("dB" in line or "Hz" in line for line in lines)


def test_ranking_is_that_of_a_plain_loop(searched: Catalogue) -> None:
    found = rank(searched, judgements(searched.root)["thick"], ("mic ~ rib",), count=3)
    values = sorted(
        (
            m["body_db"] + 0.5 * m["mud_db"] - 0.5 * m["presence_db"]
            for seed in (1, 2)
            for c in invented.night(seed, 12)["captures"]
            if c["mic"] == "rib one"
            for m in [c["metrics"]]
        ),
        reverse=True,
    )
    assert [judged.value for judged in found] == pytest.approx(values[:3])


def test_own_judgements_replace_and_join(library: Catalogue) -> None:
    path = library.root / "judgements.toml"
    path.write_text(
        '[thick]\nformula = "body_db"\nwhy = "Ours."\n[dry]\nformula = "-lra_lu"\n',
        "utf-8",
    )
    known = judgements(library.root)
    assert known["thick"].formula.text == "body_db"
    assert known["dry"].own
    assert named(library.root, "2 * hum_db").formula.keys == ("hum_db",)


@pytest.mark.parametrize(
    "text",
    ["[x]\n", "x = 1\n", '[x]\nformula = "y"\n', "[x", '[x]\nformula="1"\nz=1\n'],
)
def test_own_judgements_that_cannot_be_read_are_refused(
    library: Catalogue, text: str
) -> None:
    (library.root / "judgements.toml").write_text(text, "utf-8")
    with pytest.raises(QueryError):
        judgements(library.root)


def test_a_broken_formula_is_told_with_its_file_and_name(library: Catalogue) -> None:
    path = library.root / "judgements.toml"
    path.write_text('[thick]\nformula = "body_db +"\n', "utf-8")
    with pytest.raises(QueryError) as refused:
        judgements(library.root)
    told = str(refused.value)
    assert told.startswith(f"{path}: [thick] ")
    assert "'body_db +'" in told
    assert "take it out" in told
