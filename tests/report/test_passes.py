"""Timing and pairs in words a newcomer can read."""

import records

from pipeline.report import passes, reflections
from pipeline.report.names import names
from pipeline.report.page import render_page


def told(data):
    record = records.record(data)
    return passes.passes(record, names(record))


def test_says_who_is_late_and_by_how_much():
    pair = told(records.night(16))[0].pairs[0]
    # 2.84 samples at 48 kHz are 0.0592 ms.
    assert pair.timing == (
        "t002 hears the sound 0.059\u00a0ms after t001: 20\u00a0mm of air "
        "(2.84 samples, give or take 0.20)."
    )


def test_a_negative_delay_turns_the_sentence():
    data = records.night(16)
    data["pairs"][0]["delay_samples"] = -2.84
    assert told(data)[0].pairs[0].timing.startswith("t001 hears the sound")


def test_a_delay_within_its_uncertainty_is_none():
    data = records.night(16)
    data["pairs"][0]["delay_samples"] = 0.1
    assert "same moment" in told(data)[0].pairs[0].timing


def test_loss_and_help_are_told_apart():
    data = records.night(16)
    sums = data["pairs"][0]["sums"]
    sums["as_placed"]["loss_db"], sums["aligned"]["loss_db"] = 1.26, -2.9
    words = {row.key: row.loss for row in told(data)[0].pairs[0].sums}
    assert words["as_placed"] == "costs 1.3\u00a0dB"
    assert words["aligned"] == "helps by 2.9\u00a0dB"


def test_a_sum_that_cancels_as_a_whole_is_not_said_to_have_no_holes():
    data = records.night(16)
    sums = data["pairs"][0]["sums"]
    sums["flipped"].update(loss_db=6.2, notches_hz=[])
    sums["aligned"].update(loss_db=-2.9, notches_hz=[])
    words = {row.key: row.holes for row in told(data)[0].pairs[0].sums}
    assert (words["flipped"], words["aligned"]) == ("all over", "none")


def test_passes_keep_their_order_and_their_captures():
    found = told(records.night(16))
    assert [view.id for view in found] == [f"p{k:02d}" for k in range(1, 7)]
    assert [row.name.id for row in found[0].rows] == ["t001", "t002", "t003"]


def test_advice_of_several_steps_is_told_step_by_step():
    data = records.night(16)
    assert len(told(data)[0].pairs[0].advice) == 1
    data["pairs"][0]["advice"]["steps"] = ["Flip it.", "Move it 21 +- 2 mm."]
    assert told(data)[0].pairs[0].advice == ("Flip it.", "Move it 21 \u00b1 2 mm.")


def test_the_floor_as_measured_names_its_hole_and_what_it_was_held_against():
    # 500 / 1.97 ms is 254 Hz; the other capture is of another pass, so its treatment
    # differs.
    data = records.night(16)
    record = records.record(data)
    other = data["reflections"][0]["against"]
    (found,) = reflections.reflections(record, names(record)).rows
    assert found.measured == (
        "1.97\u00a0ms, \u22125.1\u00a0dB, first hole near 254\u00a0Hz "
        f"(what differs from {other})"
    )
    beside = next(
        c["id"]
        for c in data["captures"]
        if c["pass"] == data["captures"][2]["pass"] and c["id"] != found.id
    )
    data["reflections"][0]["against"] = beside
    record = records.record(data)
    (found,) = reflections.reflections(record, names(record)).rows
    assert found.measured.endswith(f"(as heard beside {beside})")


def test_captures_that_the_floor_cannot_matter_to_are_named_together():
    data = records.night(16)
    quiet = data["reflections"][0] | {
        "matters": False,
        "against": None,
        "measured_delay_ms": None,
        "measured_level_db": None,
    }
    data["reflections"] += [
        quiet | {"capture": data["captures"][k]["id"], "predicted_level_db": level}
        for k, level in ((3, -33.1), (4, -26.0))
    ]
    record = records.record(data)
    found = reflections.reflections(record, names(record))
    assert len(found.rows) == 1
    assert [name.index for name in found.quiet] == [3, 4]
    assert found.quiet_down == "26\u00a0dB"
    assert "26\u00a0dB down or more" in render_page(record)
    data["reflections"] = []
    record = records.record(data)
    assert reflections.reflections(record, names(record)) is None
