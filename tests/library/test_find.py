"""Authority: the invented nights are plain data, searched here by plain loops."""

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.library import find as finding
from pipeline.library import schema
from pipeline.library.catalogue import Catalogue
from pipeline.library.find import find
from pipeline.library.refusals import QueryError
from tests.library import invented

Holds = Callable[[dict[str, Any], dict[str, Any]], bool]
NIGHTS = [invented.night(seed, 12) for seed in (1, 2)]


def setup(night: dict[str, Any], capture: dict[str, Any]) -> dict[str, Any]:
    return night["recall"]["setup"][capture["setup"]]


def by_loop(holds: Holds) -> set[tuple[str, str]]:
    """The answer, found by looking at every capture."""
    return {
        (night["session"]["name"], capture["id"])
        for night in NIGHTS
        for capture in night["captures"]
        if holds(night, capture)
    }


def asked(library: Catalogue, words: str, *conditions: str) -> set[tuple[str, str]]:
    found = find(library.db, words, conditions, columns=("session", "id"))
    assert found.total == len(found.rows)
    return {(str(a), str(b)) for a, b in found.rows}


CASES: list[tuple[str, tuple[str, ...], Holds]] = [
    ("", ("distance_mm < 50",), lambda _n, c: c["place"]["distance_mm"] < 50),
    (
        "rib",
        ("distance_mm < 50", "brightness_hz > 1500"),
        lambda _n, c: (
            c["mic"] == "rib one"
            and c["place"]["distance_mm"] < 50
            and c["metrics"]["brightness_hz"] > 1500
        ),
    ),
    ("ribbon", (), lambda _n, c: c["mic"] == "rib one"),
    ("CAP edge", (), lambda _n, c: c["place"]["position"] == "cap edge"),
    ("", ("position = CAP EDGE",), lambda _n, c: c["place"]["position"] == "cap edge"),
    ("", ("gain > 5",), lambda n, c: setup(n, c)["gain"] > 5),
    ("", ("setup.gain > 5",), lambda n, c: setup(n, c)["gain"] > 5),
    ("", ("knobs.bass = 5",), lambda n, c: "knobs" in setup(n, c)),
    ("", ("not knobs.bass = 5",), lambda n, c: "knobs" not in setup(n, c)),
    ("overdrive", (), lambda n, c: "pedals" in setup(n, c)),
    ("", ("tags = keep",), lambda _n, c: "keep" in c["tags"]),
    ("", ("date >= 2025-03",), lambda n, _c: n["session"]["date"] >= "2025-03"),
    ("", ("notes",), lambda _n, c: c["notes"] is not None),
    (
        "night",
        ("angle_deg = 30 or (mic ~ dyn and not tags = dark)",),
        lambda _n, c: (
            c["place"]["angle_deg"] == 30
            or (c["mic"] == "dyn one" and "dark" not in c["tags"])
        ),
    ),
    ("", ("latency.samples > 500", "status != rejected"), lambda _n, _c: True),
    ("", ("metrics.hum_db < -60",), lambda _n, c: c["metrics"]["hum_db"] < -60),
    ("", ("shortlist.reason ~ brightest",), lambda _n, c: c["id"] == "t001"),
    ("invoice unpaid", (), lambda _n, _c: False),
    ("unpaid", (), lambda _n, _c: True),
]


@pytest.mark.parametrize(("words", "conditions", "holds"), CASES)
def test_finds_what_a_plain_loop_finds(
    searched: Catalogue, words: str, conditions: tuple[str, ...], holds: Holds
) -> None:
    assert asked(searched, words, *conditions) == by_loop(holds)


@pytest.mark.parametrize(("words", "conditions", "holds"), CASES)
def test_same_answers_without_the_full_text_index(
    searched: Catalogue,
    monkeypatch: pytest.MonkeyPatch,
    words: str,
    conditions: tuple[str, ...],
    holds: Holds,
) -> None:
    monkeypatch.setattr(finding, "has_words", lambda _db: False)
    assert asked(searched, words, *conditions) == by_loop(holds)


def test_writer_without_index_is_made_up_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A SQLite without FTS5 may write; the next one with it rebuilds the index."""
    folder = invented.write(tmp_path / "run", invented.night(1))
    with monkeypatch.context() as patch:
        for module in ("schema", "writing"):
            patch.setattr(f"pipeline.library.{module}.has_words", lambda _db: False)
        with Catalogue(tmp_path / "library") as library:
            library.add(folder)
    with Catalogue(tmp_path / "library") as library:
        assert len(asked(library, "ribbon")) == 2
        assert schema.faults(library.db) == []


def test_unknown_field_names_the_nearest(searched: Catalogue) -> None:
    with pytest.raises(QueryError, match="brightness_hz"):
        find(searched.db, "", ("brightnes_hz > 5",))
    with pytest.raises(QueryError, match="gain"):
        find(searched.db, "", ("gian > 5",))


def test_order_limit_and_total(searched: Catalogue) -> None:
    found = find(
        searched.db, "", columns=("brightness_hz",), order="-brightness_hz", limit=5
    )
    values = sorted(
        (c["metrics"]["brightness_hz"] for n in NIGHTS for c in n["captures"]),
        reverse=True,
    )
    assert [row[0] for row in found.rows] == pytest.approx(values[:5])
    assert found.total == 24


HOSTILE = (
    "'; DROP TABLE capture; --",
    '" OR 1=1 --',
    'x" NEAR(a b) OR *',
    "%' OR '%'='",
    "\0",
    "a" * 1999,
    "*",
    "col:words",
    "\\",
)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_only_text(searched: Catalogue, text: str) -> None:
    """Nothing is found, nothing breaks, nothing is gone."""
    before = searched.db.execute("SELECT count(*) FROM capture").fetchone()
    try:
        find(searched.db, text)
        find(searched.db, "", (f"mic ~ '{text.replace(chr(39), '')}'",))
        find(searched.db, "", (f'gain = "{text.replace(chr(34), "")}"',))
    except QueryError:
        pass
    except sqlite3.Error:  # pragma: no cover
        pytest.fail("the database saw the text as a statement")
    assert searched.db.execute("SELECT count(*) FROM capture").fetchone() == before


def test_like_marks_are_only_text(searched: Catalogue) -> None:
    """% and _ are no wildcards."""
    assert find(searched.db, "", ("mic ~ '%'",)).total == 0
    assert find(searched.db, "", ("mic ~ 'd_n'",)).total == 0
