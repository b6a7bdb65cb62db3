"""Views of header, findings, shortlist and table."""

import records

from pipeline.report import detail, findings, view
from pipeline.report.names import names


def test_lowered_target_says_for_whom():
    record = records.record(records.night(16))
    told = view.level_sentence(record.loudness)
    assert "lowered together by 1.2\u00a0dB" in told
    assert "t003" in told


def test_target_kept_is_one_sentence():
    record = records.record(records.bare())
    assert view.level_sentence(record.loudness).count(".") == 3  # two decimals, one end


def test_findings_are_grouped_heaviest_first():
    record = records.record(records.night(60))
    blocks = findings.finding_blocks(record, names(record))
    assert [b.severity for b in blocks] == ["reject", "warn", "note"]
    session = [i for b in blocks for g in b.groups for i in g.items if i.name is None]
    assert len(session) == len(record.findings)


def test_an_unknown_choice_is_left_out():
    data = records.night(16)
    data["shortlist"].append({"id": "nobody", "reason": "none"})
    record = records.record(data)
    assert len(view.shortlist(record, names(record))) == 3


def test_summary_counts():
    assert view.summary(records.record(records.night(16))) == (
        "16 captures: 13 fine, 2 usable with care, 1 left out."
    )
    assert view.summary(records.record(records.empty())) == "No captures."


def test_packed_sheets_hold_what_full_ones_hold():
    record = records.record(records.night(16))
    full = detail.details(record, names(record))
    packed = detail.compact(full)
    for item, numbers in zip(full, packed["of"], strict=True):
        sheets = [packed["sheets"][k] for k in numbers]
        assert [s.heading for s in item.sheets] == [heading for heading, _ in sheets]
        assert [[f.label, f.value, int(f.private)] for f in item.sheets[0].facts] == (
            sheets[0][1]
        )
    assert len(packed["sheets"]) < sum(len(n) for n in packed["of"])


def test_floor_is_unknown_without_controls():
    record = records.record(records.bare())
    assert detail.floor(record, names(record)).sentence.startswith("Unknown")


def test_floor_names_what_was_recorded_again_and_what_is_not_known():
    data = records.night(16)
    data["repeatability"]["latency_samples"] = None
    record = records.record(data)
    told = detail.floor(record, names(record))
    again = [capture.id for capture in record.captures if capture.control]
    assert told.sentence.startswith(f"Recorded again unchanged: {' and '.join(again)}.")
    timing = next(fact for fact in told.facts if fact.label == "Timing")
    assert timing.value.startswith("not known: each recording was started by hand")
