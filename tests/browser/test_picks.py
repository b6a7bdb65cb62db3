"""Picks on the page: a comment is heard where it was written."""

from pathlib import Path

import driver
import pytest
import records
import session

SAID = [
    records.comment("t006", 1.5, "more bite here", "B2"),
    records.comment("both close microphones", 2.5, "the two", "Both"),
    records.comment(records.HOSTILE, 0.1, records.HOSTILE, records.HOSTILE),
]


@pytest.fixture(scope="module")
def answered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    pick = records.pick(("t006", "t001"), by=records.HOSTILE, comments=SAID)
    folder = tmp_path_factory.mktemp("answered")
    return session.write(folder, records.night(16), book=records.book(pick))


def state(page):
    return page.run("return reampsPlayer.state()")


def press_time(page, seconds):
    page.run(f"document.querySelector('[data-at=\"{seconds:.3f}\"]').click()")


def test_a_comment_plays_its_capture_at_its_time(page, answered):
    page.open(answered)
    press_time(page, 1.5)
    page.until("return reampsPlayer.state().heard === 'c5'")
    # 1.5 s at 48 kHz, and what passed until the driver asked.
    assert 72_000 <= state(page)["position"] < 72_000 + 48_000
    assert page.run("return reampsPage.selected") == 5
    press_time(page, 2.5)  # while it plays: another sound, another place
    page.until("return reampsPlayer.state().heard === 'b0'")
    assert state(page)["position"] >= 120_000 or state(page)["position"] < 24_000
    page.press("p")
    assert page.complaints() == []


def test_a_comment_outside_the_loop_ends_the_loop(page, answered):
    page.open(answered)
    page.run("reampsPlayer.loop(0, 24000)")
    press_time(page, 1.5)
    page.until("return reampsPlayer.state().heard === 'c5'")
    assert state(page)["region"] == [0, 144_000]
    page.press("p")


def test_what_plays_nowhere_has_no_button_and_no_markup(page, answered):
    page.open(answered)
    assert page.run("return document.querySelector('#chosen img, #chosen script')") is (
        None
    )
    times = page.run(
        "return [...document.querySelectorAll('#chosen [data-at]')]"
        ".map(b => b.dataset.hear + b.dataset.at)"
    )
    assert times == ["c51.500", "b02.500"]
    assert records.HOSTILE in page.run(
        "return document.getElementById('chosen').innerText"
    )
    assert page.run("return document.querySelectorAll('script').length") == 2


def test_fits_a_phone(page, answered):
    page.window(360, 800, phone=True)
    page.open(answered)
    assert page.run("return document.documentElement.scrollWidth") <= 360


@pytest.mark.skipif(
    not driver.AXE.exists(),
    reason="axe-core is not installed (npm install in tests/browser)",
)
def test_no_serious_barrier(page, answered):
    page.open(answered)
    page.run(
        "const c = document.getElementById('columns'); c.value = 'words';"
        "c.dispatchEvent(new Event('change'))"
    )
    assert page.barriers() == []
