"""Authority: changes put in by hand."""

import json
from copy import deepcopy
from typing import Any

import pytest

from pipeline.library.listing import changes, reunion_lines
from pipeline.library.nights import Again, Change, Reunion, compare_nights
from pipeline.models.record import Record
from tests.library import invented

FLOOR = {"brightness_hz": 40.0, "noise_dbfs": 0.5, "hum_db": 1.0}


def record(night: dict[str, Any]) -> Record:
    return Record.model_validate_json(json.dumps(night))


def later(night: dict[str, Any]) -> dict[str, Any]:
    """The same set-ups, another date."""
    found = deepcopy(night)
    found["session"]["date"] = "2026-01-01"
    return found


def night(floor: dict[str, float] | None = None) -> dict[str, Any]:
    found = invented.night(1, 6)
    if floor is not None:
        found["repeatability"] = {
            "captures": ["t001", "t004"],
            "latency_samples": 0.1,
            "distance_db": 0.4,
            "metrics": floor,
        }
    return found


def change(found: Reunion, capture: str, key: str) -> Change:
    again: Again = next(a for a in found.again if a.first == capture)
    return next(c for c in again.changes if c.key == key)


def test_what_drifted_more_than_the_floor_is_told() -> None:
    a, b = night(FLOOR), later(night({"brightness_hz": 30.0}))
    b["captures"][0]["metrics"]["brightness_hz"] += 41
    b["captures"][1]["metrics"]["brightness_hz"] -= 39
    found = compare_nights(record(a), record(b))
    assert len(found.again) == 6
    drifted = change(found, "t001", "brightness_hz")
    assert drifted.change == pytest.approx(41)
    assert (drifted.floor, drifted.verdict) == (40, "more than the floor")
    assert change(found, "t002", "brightness_hz").verdict == "within the floor"
    assert change(found, "t001", "crest_db").verdict == "no floor known"


def test_loudness_targets_are_reconciled_by_arithmetic() -> None:
    """The second night is 3 dB louder: its noise too, and nothing else has changed."""
    a, b = night(FLOOR), later(night(FLOOR))
    b["loudness"]["effective_target_lufs"] = -20.0
    for capture in b["captures"]:
        capture["metrics"]["noise_dbfs"] += 3.0
        for key in ("third_octave_db", "erb_db"):
            capture["curves"][key] = [level + 3 for level in capture["curves"][key]]
    found = compare_nights(record(a), record(b))
    assert found.target_lufs == -23.0
    assert found.gains_db == (0.0, -3.0)
    assert change(found, "t001", "noise_dbfs").change == pytest.approx(0)
    assert change(found, "t001", "spectrum_db").change == pytest.approx(0, abs=1e-9)
    assert change(found, "t001", "rig_db").change == pytest.approx(0, abs=1e-3)


def test_a_rig_that_changed_is_held_against_the_night_s_own_repeats() -> None:
    """The floor is the distance of the set-up that was recorded twice on a night."""
    a, b = night(FLOOR), later(night(FLOOR))
    for records in (a, b):
        # Two set-ups were recorded again; how far they are apart is no floor.
        records["repeatability"]["captures"] += ["t002", "t003"]
        twin = records["captures"][3]
        for key in ("setup", "mic", "place", "curves"):
            twin[key] = deepcopy(records["captures"][0][key])
        levels = twin["curves"]["third_octave_db"]
        twin["curves"]["third_octave_db"] = [v + (k % 2) for k, v in enumerate(levels)]
    levels = b["captures"][2]["curves"]["third_octave_db"]
    b["captures"][2]["curves"]["third_octave_db"] = [
        v + 0.4 * k for k, v in enumerate(levels)
    ]
    found = compare_nights(record(a), record(b))
    assert change(found, "t003", "rig_db").verdict == "more than the floor"
    steady = change(found, "t005", "rig_db")
    assert steady.verdict == "within the floor"
    assert steady.floor is not None
    assert 0.4 < steady.floor < 0.7


def test_renamed_captures_are_matched_by_their_set_up() -> None:
    a, b = night(), later(night())
    b["captures"].reverse()
    for capture in b["captures"]:
        capture["id"] = f"x-{capture['id']}"
    b["pairs"], b["shortlist"] = [], []
    found = compare_nights(record(a), record(b))
    assert {(x.first, x.second) for x in found.again} == {
        (f"t00{k}", f"x-t00{k}") for k in range(1, 7)
    }
    assert {x.match for x in found.again} == {"same set-up"}


def test_another_knob_is_named_and_private_notes_are_not() -> None:
    a, b = night(), later(night())
    b["recall"]["setup"]["clean"]["gain"] = 4
    b["recall"]["setup"]["clean"]["knobs"] = {"bass": 7, "private": {"by": "them"}}
    b["recall"]["setup"]["driven"]["private"]["amp_serial"] = "other"
    found = compare_nights(record(a), record(b))
    clean = next(x for x in found.again if x.first == "t001")
    assert clean.match == "same name"
    assert clean.differs == ("setup.gain: 2.5 -> 4", "setup.knobs.bass: 5 -> 7")


def test_a_reunion_is_summed_up_in_a_few_lines() -> None:
    a, b = night(FLOOR), later(night(FLOOR))
    b["loudness"]["effective_target_lufs"] = -20.0
    for capture in b["captures"]:
        capture["metrics"]["noise_dbfs"] += 3.0
    b["captures"][0]["metrics"]["brightness_hz"] += 41
    b["captures"].pop()
    found = compare_nights(record(a), record(b))
    lines = reunion_lines(found)
    assert (
        lines[0] == "5 set-ups on both nights, 1 of them changed by more than the floor"
    )
    assert "first night by +0.0 dB and the second by -3.0 dB" in lines[1]
    assert lines[2] == "only on the first night: t006"
    told = {(row[0], row[3]) for row in changes(found, every=False)}
    assert told == {("t001", "brightness_hz")}


def test_captures_without_a_partner_are_listed() -> None:
    a, b = night(), later(night())
    b["captures"] = b["captures"][:5]
    b["captures"][0].update(status="rejected")
    found = compare_nights(record(a), record(b))
    assert found.only_first == ("t001", "t006")
