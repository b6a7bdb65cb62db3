"""One browser for all tests of the page; skipped where there is none."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "report")]
import driver  # noqa: E402 the folder of the tests is no package
import records  # noqa: E402
import session  # noqa: E402


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[driver.Browser]:
    reason = driver.absent()
    if reason:
        pytest.skip(reason)
    with driver.browser(tmp_path_factory.mktemp("chromium")) as found:
        blank = tmp_path_factory.mktemp("blank") / "blank.html"
        blank.write_text("<!doctype html><title>blank</title>", encoding="utf-8")
        found.open(blank)
        yield found


@pytest.fixture
def page(chromium: driver.Browser) -> driver.Browser:
    chromium.window(1280, 900)
    chromium.media(prefers_color_scheme="light")
    chromium.complaints()
    chromium.requests()
    return chromium


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return session.write(tmp_path_factory.mktemp("night"), records.night(16))


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    from pipeline.report.page import render_page

    folder = tmp_path_factory.mktemp("pages")
    found = {}
    for name, data in {
        "bare": records.bare(),
        "empty": records.empty(),
        "hostile": records.hostile(),
        "sixty": records.night(60),
        "many": records.night(500),
    }.items():
        found[name] = folder / f"{name}.html"
        text = render_page(records.record(data))
        found[name].write_text(text, encoding="utf-8")
    return found
