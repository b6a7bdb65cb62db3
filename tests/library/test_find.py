"""Authority: the invented nights are plain data, searched here by plain loops."""

import re
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.library import asking, schema
from pipeline.library.catalogue import Catalogue
from pipeline.library.find import find
from pipeline.library.refusals import QueryError
from pipeline.library.standing import standing, told
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
    monkeypatch.setattr(asking, "has_words", lambda _db: False)
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


@pytest.mark.parametrize(
    ("slip", "meant"),
    [
        ("brightnes_hz", "brightness_hz"),
        ("gian", "gain"),
        ("setup.gian", "gain"),
        ("gain_dd", "gain_db"),
        ("distance", "distance_mm"),
    ],
)
def test_unknown_field_names_the_nearest_each_once(
    searched: Catalogue, slip: str, meant: str
) -> None:
    for question in (
        lambda: find(searched.db, "", (f"{slip} > 5",)),
        lambda: find(searched.db, columns=("number", slip)),
        lambda: find(searched.db, order=f"-{slip}"),
    ):
        with pytest.raises(QueryError) as refused:
            question()
        said = re.search(r"Did you mean (.*?)\?", str(refused.value))
        assert said is not None
        near = said.group(1).split(" or ")
        assert meant in near
        assert len(set(near)) == len(near)


@pytest.mark.parametrize(
    "condition",
    [
        "distance_mm < fifty",
        "distance_mm < 50 mm",
        "distance_mm = 50mm",
        "distance_mm != fifty",
        "distance_mm < 1,5",
        "distance_mm ~ 5",
        'brightness_hz > "1500"',
        "gain > five",
        "gain = five",
        "setup.knobs.bass <= much",
    ],
)
def test_a_word_where_a_number_belongs_is_refused(
    searched: Catalogue, condition: str
) -> None:
    """It would list all captures or none, by an order of the database's own."""
    with pytest.raises(QueryError, match="is a number"):
        find(searched.db, "", (condition,))


@pytest.mark.parametrize(
    ("condition", "message"),
    [
        ("date > november", "is a day"),
        ("date = 2025-03", "date ~ 2025-03"),
        ("created < 5", "is a day"),
        ("control > 0", "yes or no"),
        ("control = maybe", "yes or no"),
    ],
)
def test_values_that_a_field_cannot_have_are_refused(
    searched: Catalogue, condition: str, message: str
) -> None:
    with pytest.raises(QueryError, match=message):
        find(searched.db, "", (condition,))


def test_recall_keys_are_shown_and_sorted_by(searched: Catalogue) -> None:
    found = find(
        searched.db, columns=("session", "id", "gain", "knobs.bass"), order="-gain"
    )
    expected = {
        (n["session"]["name"], c["id"]): (
            float(setup(n, c)["gain"]),
            setup(n, c).get("knobs", {}).get("bass"),
        )
        for n in NIGHTS
        for c in n["captures"]
    }
    assert {row[:2]: row[2:] for row in found.rows} == expected
    gains = [float(str(row[2])) for row in found.rows]
    assert gains == sorted(gains, reverse=True)


def test_yes_and_no_are_asked_for_as_they_are_written(tmp_path: Path) -> None:
    """TOML writes true and false; the table shows yes and no."""
    night = invented.night(1, 4)
    night["captures"][2]["control"] = True
    night["recall"]["setup"]["clean"]["bright_switch"] = True
    with Catalogue(tmp_path / "library") as library:
        library.add(invented.write(tmp_path / "run", night))
        for word in ("true", "yes"):
            assert asked(library, "", f"control = {word}") == {("night 1", "t003")}
            assert len(asked(library, "", f"bright_switch = {word}")) == 4
        assert len(asked(library, "", "control != yes")) == 3
        found = find(library.db, columns=("control", "bright_switch"))
    assert [row[0] for row in found.rows] == ["no", "no", "yes", "no"]
    assert {row[1] for row in found.rows} == {"yes"}


def test_one_session_can_be_asked_for_by_its_number(searched: Catalogue) -> None:
    assert len(asked(searched, "", "session_number = 2")) == 12


def test_words_look_only_at_what_a_person_wrote(tmp_path: Path) -> None:
    """The program's advice names other captures; they are no answer to their names."""
    night = invented.night(1, 6)
    night["captures"][0]["findings"] = [
        {"code": "clipped", "severity": "warn", "message": "Not like t004, marimba."}
    ]
    night["repeatability"] = {
        "captures": ["t001", "t004"], "metrics": {}, "distance_db": 0.1,
        "latency_samples": 0.1,
    }  # fmt: skip
    night["shortlist"] = [{"id": "t002", "reason": "a marimba of a tone"}]
    with Catalogue(tmp_path / "library") as library:
        library.add(invented.write(tmp_path / "run", night))
        assert asked(library, "marimba") == set()
        assert asked(library, "t004") == {("night 1", "t004")}
        assert asked(library, "clipped") == {("night 1", "t001")}
        by_field = asked(library, "", "findings.message ~ marimba")
    assert by_field == {("night 1", "t001")}


def test_a_word_in_several_fields_is_told_apart(tmp_path: Path) -> None:
    night = invented.night(1, 6)
    night["captures"][0]["notes"] = "Ribb\u00f3n beside it."
    with Catalogue(tmp_path / "library") as library:
        library.add(invented.write(tmp_path / "run", night))
        where = standing(library.db, "ribbon north")
        some = standing(library.db, "ribbon north", ("notes",))
    assert some == {"ribbon": {"notes": 1}, "north": {"session.room": 1}}
    assert where["ribbon"] == {"mic.type": 2, "notes": 1}
    assert where["north"] == {"session.room": 3}
    (line,) = told(where)
    assert told({"t001": {"id": 1, "file": 1}}) == ()
    assert '--where "mic.type ~ ribbon"' in line


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
