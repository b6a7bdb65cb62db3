"""Authority: plain data in, plain data out; a browser where there is one."""

import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pytest

from pipeline.library import tone
from pipeline.library.catalogue import Catalogue
from pipeline.library.character_map import map_data, spots
from pipeline.library.page import link, render_map
from tests.library import invented, runs

HOSTILE = "</script><img src=x onerror=alert(1)>\u2028"


def test_map_holds_every_capture_and_nothing_private(
    searched: Catalogue, tmp_path: Path
) -> None:
    data = map_data(searched, tmp_path / "map.html")
    assert data["count"] == 24
    lengths = {len(data[key]) for key in ("number", "id", "lufs", "di", "audio")}
    lengths |= {len(m[4]) for m in data["metrics"]} | {len(s) for s in data["spots"]}
    assert lengths == {24}
    names, places = data["facets"]["mic"]
    assert [names[k] for k in places[:3]] == ["dyn one", "rib one", "con one"]
    text = json.dumps(data)
    assert "K-4711" not in text
    assert "SN-0001" not in text


def test_links_lead_from_the_page_to_the_audio(tmp_path: Path) -> None:
    run = runs.write(tmp_path / "a run #1", runs.small(1))
    page = tmp_path / "pages" / "map.html"
    with Catalogue(tmp_path / "library") as library:
        library.add(run)
        found = map_data(library, page)["audio"]
    page.parent.mkdir()
    for text, name in zip(found, ("t001", "t002", "t003"), strict=True):
        assert "#" not in text
        there = (page.parent / unquote(text)).resolve()
        assert there == (run / "audio" / f"{name}.wav").resolve()


def test_alike_rigs_are_near_each_other_on_the_map() -> None:
    """Two families of tones by construction: no spot is nearer to the other family."""
    rng = np.random.default_rng(4)
    rows = np.zeros((40, tone.WIDTH), np.float32)
    bands = len(tone.BANDS_HZ)
    rows[:, bands : 2 * bands] = 0.8
    rows[:, :bands] = rng.normal(0, 0.3, (40, bands))
    rows[20:, :bands] += np.linspace(-6, 6, bands)
    found = spots(rows)
    middle = found[:20].mean(axis=0), found[20:].mean(axis=0)
    to_own = np.linalg.norm(found[:20] - middle[0], axis=1)
    to_other = np.linalg.norm(found[:20] - middle[1], axis=1)
    assert (to_own < to_other / 3).all()
    assert np.array_equal(found, spots(rows))


@pytest.mark.parametrize("name", ["javascript:alert(1)", "a?b#c", "//host/x"])
def test_names_are_no_schemes(name: str) -> None:
    assert link(name).startswith("./")
    assert not re.search(r"[?#]|^[a-z]+:", link(name))


@pytest.fixture(scope="module")
def hostile_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("map")
    night = invented.night(1, 200, name=HOSTILE)
    night["captures"][0]["id"] = HOSTILE
    night["captures"][0]["place"]["position"] = HOSTILE
    night["recall"]["setup"]["clean"]["amp"] = HOSTILE
    night["pairs"], night["shortlist"] = [], []
    page = folder / "map.html"
    with Catalogue(folder / "library") as library:
        library.add(invented.write(folder / "run", night))
        page.write_text(render_map(HOSTILE, map_data(library, page)), "utf-8")
    return page


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[object]:
    sys.path.insert(0, str(Path(__file__).parents[1] / "browser"))
    import driver

    if driver.absent():
        pytest.skip(driver.absent())
    with driver.browser(tmp_path_factory.mktemp("profile")) as found:
        yield found


def test_page_works_and_hostile_text_is_only_text(browser, hostile_page: Path) -> None:
    browser.open(hostile_page)
    browser.until("return document.documentElement.dataset.ready")
    assert browser.run("return document.images.length") == 0
    assert browser.run("return document.title") == HOSTILE.replace("\u2028", "\u2028")
    assert browser.run("return document.getElementById('count').textContent") == (
        "200 tones"
    )
    assert 0 < browser.run("return document.querySelectorAll('.row').length") < 60
    browser.run("document.querySelector('.row').click()")
    assert HOSTILE[:20] in browser.run(
        "return document.getElementById('name').textContent"
    )
    complaints = [c for c in browser.complaints() if "ERR_FILE" not in str(c)]
    assert complaints == []


def test_facets_narrow_the_list(browser, hostile_page: Path) -> None:
    browser.open(hostile_page)
    browser.until("return document.documentElement.dataset.ready")
    browser.run(
        "for (const label of document.querySelectorAll('#facets label'))"
        " if (label.textContent.startsWith('rib one')) label.click();"
    )
    text = browser.run("return document.getElementById('count').textContent")
    assert text == "67 of 200 tones"


def test_a_count_stays_on_one_line_beside_a_long_name(
    browser, hostile_page: Path
) -> None:
    """A name may break anywhere, a number nowhere: all counts are equally high."""
    browser.window(1400, 900)
    browser.open(hostile_page)
    browser.until("return document.documentElement.dataset.ready")
    heights = browser.run(
        "return [...document.querySelectorAll('#facets label span')]"
        ".map((count) => count.offsetHeight)"
    )
    assert len(set(heights)) == 1
