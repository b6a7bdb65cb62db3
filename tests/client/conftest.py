"""A night to send tones of, and one browser; skipped where there is none."""

import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "browser")]
import client_night  # noqa: E402 the folder of the tests is no package
import driver  # noqa: E402

from pipeline.client.shortlist import Made, Wishes, make_shortlist  # noqa: E402

SECRET = ("0123456789abcdef", "5a" * 32)
NOW = "2031-05-17T01:42:00Z"


@pytest.fixture(scope="session")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return client_night.write(tmp_path_factory.mktemp("prepared") / "run")


@pytest.fixture
def night(prepared: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(prepared, tmp_path / "run"))


@pytest.fixture
def make(night: Path):
    def made(out: Path | None = None, **wishes: object) -> Made:
        wanted = Wishes(**{"ids": client_night.IDS[:3], **wishes})  # type: ignore[arg-type]
        return make_shortlist(night, out, wanted, secret=SECRET, now=NOW)

    return made


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
def phone(chromium: driver.Browser) -> driver.Browser:
    chromium.window(390, 844, phone=True)
    chromium.media(prefers_color_scheme="light")
    chromium.complaints()
    chromium.requests()
    return chromium
