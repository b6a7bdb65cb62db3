"""The client's page: from a small view to one HTML file that works from disk."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

from markupsafe import Markup

from pipeline.files.script import as_script
from pipeline.files.templates import open_template

STYLES = ("client.css",)
SCRIPTS = (
    ("pipeline.client", "seal.js"),
    ("pipeline.report", "gates.js"),
    ("pipeline.client", "sound.js"),
    ("pipeline.client", "client.js"),
)


@dataclass(frozen=True, slots=True)
class Option:
    """One tone as the client sees it.

    Parameters
    ----------
    key : str
        "1" to "5".
    name, told, note : str
        What it is called, what its measures say, the engineer's words.
    advice : str
        Why it is recommended; empty for the others.
    mime : str
        Kind of its audio.
    link : str or None
        Script that carries it; None when it is inside the page.
    """

    key: str
    name: str
    told: str
    note: str
    advice: str
    mime: str
    link: str | None


@dataclass(frozen=True, slots=True)
class ClientPage:
    """All that the page shows, and nothing that is private.

    Parameters
    ----------
    title : str
        Heading.
    token, key : str
        Which shortlist this is, and what its answer is sealed with.
    options : tuple of Option
        Three to five.
    sample_rate_hz, frames : int
        Of the excerpt.
    excerpt : str
        What part of the song it is.
    decoded_mb : float
        Memory that all sounds take at once, MB.
    peaks : list of int
        Outline of the sound, 0 to 100.
    warning : str
        About the client's reference; empty without one.
    """

    title: str
    token: str
    key: str
    options: tuple[Option, ...]
    sample_rate_hz: int
    frames: int
    excerpt: str
    decoded_mb: float
    peaks: list[int]
    warning: str


@lru_cache(maxsize=8)
def _static(name: str, package: str = "pipeline.client") -> Markup:
    # Files of this program, not input: they may stand in the page as they are.
    content = files(package).joinpath("static", name)
    return Markup(content.read_text(encoding="utf-8"))  # noqa: S704 own file


def _island(page: ClientPage) -> str:
    return as_script(
        {
            "title": page.title,
            "shortlist": page.token,
            "key": page.key,
            "rate": page.sample_rate_hz,
            "frames": page.frames,
            "peaks": page.peaks,
            "first": next(
                (one.key for one in page.options if one.advice), page.options[0].key
            ),
            "options": [
                {"key": one.key, "name": one.name, "mime": one.mime, "link": one.link}
                for one in page.options
            ],
        }
    )


def render(page: ClientPage, sounds: Mapping[str, str]) -> str:
    """Write the page.

    Parameters
    ----------
    page : ClientPage
        What it shows.
    sounds : mapping of str to str
        Base64 of each sound by its option's key; empty where scripts carry them.

    Returns
    -------
    str
        HTML with styles, scripts and sounds inside. Equal input gives equal text.
    """
    context: dict[str, Any] = {
        "page": page,
        "styles": [_static(name) for name in STYLES],
        "scripts": [_static(name, package) for package, name in SCRIPTS],
        # as_script leaves no character that could end the element.
        "island": Markup(_island(page)),  # noqa: S704 escaped by as_script
        "sounds": sounds,
    }
    return open_template("pipeline.client", "client.html.j2").render(context)
