"""Who chose what, when: as it was answered, and whether it is still what was heard."""

import html
import re

import pytest
import records

from pipeline.report.names import names
from pipeline.report.page import render_page
from pipeline.report.picks import ANONYMOUS, moment, rounds

TWO = {"by": "Rowan", "saved": "2031-05-18T11:00:00Z"}


def told(*picks, data=None):
    record = records.record(data or records.night(16))
    return rounds(records.book(*picks), record, names(record))


def section(*picks, data=None):
    record = records.record(data or records.night(16))
    page = render_page(record, records.book(*picks))
    return re.search(r'<section id="chosen".*?</section>', page, re.DOTALL).group()


def words(part):
    return html.unescape(" ".join(re.sub(r"<[^>]*>", " ", part).split()))


def test_tells_who_what_and_when():
    said = records.comment("t006", 83.9, "more bite here", "B2")
    found = words(section(records.pick(("t006", "t001"), comments=[said])))
    assert "Ash Saved 18 May 2031, 09:00 UTC by their clock" in found
    assert "taken in 18 May 2031, 10:30 UTC" in found
    assert found.index("t006 heard as “B2”") < found.index("t001 heard as “First”")
    assert "Also heard, not chosen: t002 (“Darkest”)." in found
    # 83.9 s is 1:23, as a clock shows it while the second lasts.
    assert "1:23 t006 heard as “B2” more bite here" in found
    assert "run again" not in found


def test_comments_carry_capture_and_second_for_the_player():
    said = [
        records.comment("t006", 12.345, "here"),
        records.comment("both close microphones", 2.0, "and there"),
    ]
    part = section(records.pick((), comments=said))
    assert 'data-hear="c5" data-at="12.345"' in part
    assert 'data-hear="b0" data-at="2.000"' in part
    assert "No choice, only comments." in part


def test_the_page_says_so_where_nobody_answered():
    page = render_page(records.record(records.night(16)), records.book())
    assert 'id="chosen"' not in page
    assert "#chosen" not in page


def test_what_changed_since_is_marked():
    data = records.night(16)
    data["captures"][5]["output"]["sha256"] = "1" * 64
    data["captures"][1]["output"] = None
    (page,) = told(records.pick(("t006", "t001", "t002")), data=data)
    (answer,) = page.answers
    assert answer.stale
    changed, same, gone = answer.order
    assert "may sound different" in changed.changed
    assert changed.key == "c5"
    assert same.changed == ""
    assert "not in this session" in gone.changed
    assert gone.key is None
    part = words(section(records.pick(("t006",)), data=data))
    assert "what is marked may not be what was heard" in part


def test_a_capture_that_is_gone_is_still_named():
    found = words(section(records.pick(("t001",)), data=records.bare()))
    assert "t001 heard as “First” is not in this session any more" in found


def test_a_later_answer_replaces_the_earlier_of_the_same_person():
    first = records.pick(("t001",), seal="1" * 64)
    later = records.pick(("t006",), by="ASH", saved="2031-05-18T09:30:00Z")
    (page,) = told(first, records.pick(("t002",), **TWO), later)
    assert [a.order[0].id for a in page.answers] == ["t006", "t002"]
    assert [a.order[0].id for a in page.replaced] == ["t001"]
    part = words(section(first, later))
    assert "Replaced by a later answer: 1" in part


def test_two_without_a_name_may_be_two_people():
    (page,) = told(
        records.pick(("t001",), by="", seal="1" * 64),
        records.pick(("t006",), by="", seal="2" * 64),
    )
    assert [a.by for a in page.answers] == [ANONYMOUS, ANONYMOUS]


def test_counts_first_choices_then_mentions():
    (page,) = told(
        records.pick(("t001", "t006")),
        records.pick(("t006", "t002"), **TWO),
        records.pick(("t006",), by="Kim"),
    )
    assert [(r.chosen.id, r.first, r.named) for r in page.tally] == [
        ("t006", 2, 3),
        ("t001", 1, 1),
        ("t002", 0, 1),
    ]
    assert page.tally[0].told == "Kim (1st), Rowan (1st), Ash (2nd)"


def test_pages_are_kept_apart():
    other = records.pick(("t002",), shortlist="1" * 16, title="The verse")
    found = told(records.pick(("t001",)), other)
    assert [(r.title, len(r.answers)) for r in found] == [
        ("The verse", 1),
        ("Which guitar sound?", 1),
    ]


def test_each_capture_says_who_chose_it():
    record = records.record(records.night(16))
    page = render_page(record, records.book(records.pick(("t006",), by="A <b> C")))
    assert page.count("Chosen by A &lt;b&gt; C (1st)") == 1


@pytest.mark.parametrize(
    "field", ["by", "title", "saved", "merged", "text", "called", "id"]
)
def test_no_word_of_an_answer_becomes_markup(field):
    bad = records.HOSTILE
    said = records.comment("t006", 1.0, bad if field == "text" else "x")
    pick = records.pick(("t001",), comments=[said])
    pick["heard"][0]["sha256"] = "2" * 64
    if field in pick:
        pick[field] = bad
    for one in (*pick["order"], *pick["comments"], *pick["heard"]):
        if field == "called":
            one["name"] = bad
        elif field == "id":
            one["id"] = f"{bad}{one['id']}"
    part = section(pick)
    assert bad not in part
    assert html.escape(bad) in part


def test_moments_read_like_dates():
    assert moment("2031-12-01T23:59:59Z") == "1 December 2031, 23:59 UTC"
    assert moment("2031-05-18T01:30:00+02:00") == "17 May 2031, 23:30 UTC"
    assert moment("last night") == "last night"
