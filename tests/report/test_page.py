"""The whole page: everything told, nothing invented, no markup from a name."""

import html
from html.parser import HTMLParser

import pytest
import records

from pipeline.models.metrics import METRICS
from pipeline.report.page import render_page


class Outline(HTMLParser):
    """Tags, attributes and the text of a page."""

    def __init__(self, page):
        super().__init__()
        self.tags = []
        self.text = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text.append(data)


def rendered(data):
    return render_page(records.record(data))


@pytest.fixture(scope="module")
def night():
    return rendered(records.night(16))


def test_tells_every_capture_metric_and_finding(night):
    outline = Outline(night)
    words = " ".join(outline.text)
    data = records.record(records.night(16))
    for metric in METRICS:
        assert metric.label in words
        assert metric.definition in words
    for capture in data.captures:
        assert capture.id in words
        for found in capture.findings:
            assert found.message in words
            assert (found.fix or "") in words
    for choice in data.shortlist:
        assert choice.reason in words
    assert data.pairs[0].advice.message in words
    assert data.reflections[0].message in words
    assert data.blends[0].reason in words


def test_what_is_wrong_comes_before_what_is_chosen(night):
    places = [night.index(f'id="h-{name}"') for name in ("first", "short", "captures")]
    assert places == sorted(places)
    left_out, check = night.index("Left out"), night.index("Check before")
    assert left_out < check


def test_stands_alone(night):
    for tag, attrs in Outline(night).tags:
        for key in ("src", "href"):
            address = attrs.get(key)
            if address is not None:
                assert address.startswith(("#", "./audio/", "data:,")), (tag, address)
    assert "@import" not in night
    assert "url(" not in night


def test_every_link_within_the_page_has_its_target(night):
    tags = Outline(night).tags
    ids = [attrs["id"] for _, attrs in tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    targets = {a["href"][1:] for t, a in tags if a.get("href", "").startswith("#")}
    assert targets - set(ids) == set()


def test_players_load_nothing_by_themselves(night):
    sounds = [attrs for tag, attrs in Outline(night).tags if tag == "audio"]
    assert any(a.get("src") == "./audio/t001.wav" for a in sounds)
    assert all(a["preload"] == "none" for a in sounds)
    assert "Turn down before you press play" in night


def test_no_name_becomes_markup():
    page = rendered(records.hostile())
    tags = [tag for tag, _ in Outline(page).tags]
    assert tags.count("script") == 2
    assert "img" not in tags
    assert "<script>alert" not in page
    assert html.escape(records.HOSTILE) in page
    for _, attrs in Outline(page).tags:
        assert not any(key.startswith("on") for key in attrs)


@pytest.mark.parametrize(
    "data", [records.bare(), records.empty()], ids=["bare", "empty"]
)
def test_absent_facts_leave_no_trace(data):
    page = rendered(data)
    words = " ".join(Outline(page.partition("<script")[0]).text)
    assert "None" not in words
    assert "Look at first" not in words
    assert "Unknown: no control captures" in words


def test_a_control_without_a_partner_is_named():
    data = records.night(16)
    data["repeatability"] = None
    lone = [one["id"] for one in data["captures"] if one["control"]]
    words = " ".join(Outline(rendered(data).partition("<script")[0]).text)
    assert lone
    assert f"Unknown: {', '.join(lone[:-1])} and {lone[-1]} marked control" in words


@pytest.mark.parametrize(
    "key",
    ["axes", "repeatability", "loopback"],
)
def test_each_optional_part_may_be_missing(key):
    assert "<h1>" in rendered({**records.night(16), key: None})


@pytest.mark.parametrize("key", ["pairs", "blends", "reflections", "shortlist"])
def test_each_list_may_be_empty(key):
    assert "<h1>" in rendered({**records.night(16), key: []})


def test_equal_records_equal_pages(night):
    assert rendered(records.night(16)) == night


def test_weight_for_sixty_captures():
    assert len(rendered(records.night(60)).encode()) < 2_000_000


def test_private_facts_are_marked(night):
    assert night.count('<span class="tag">private</span>') >= 1
