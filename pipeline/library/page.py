"""Pages of the library: its map, and the contact sheet of a pack.

One HTML file each that works from disk: styles and scripts inside, audio linked.
"""

from functools import lru_cache
from importlib.resources import files
from typing import Any
from urllib.parse import quote

from markupsafe import Markup

from pipeline.files.replacing import page_kind
from pipeline.files.script import as_script
from pipeline.files.templates import open_template

MAP_KIND = page_kind("a map of a library", "reamps library map")


def link(name: str) -> str:
    """Write a relative file name as a link.

    Parameters
    ----------
    name : str
        With ``/`` between folders.

    Returns
    -------
    str
        Percent-encoded, so that no name becomes a scheme, query or fragment.
    """
    return "./" + quote(name.removeprefix("./"), safe="/")


@lru_cache(maxsize=8)
def _own(name: str) -> Markup:
    # A file of this package, not input: it may stand in the page as it is.
    content = files("pipeline.library").joinpath("templates", name)
    return Markup(content.read_text(encoding="utf-8"))  # noqa: S704 own file


def render_map(title: str, data: dict[str, Any]) -> str:
    """Render the map of a library.

    Parameters
    ----------
    title : str
        Head of the page.
    data : dict
        From `character_map`; becomes the script's data.

    Returns
    -------
    str
        HTML.
    """
    return open_template("pipeline.library", "map.html.j2", link=link).render(
        title=title,
        style=_own("map.css"),
        script=_own("map.js"),
        # as_script leaves no character that could end the element.
        data=Markup(as_script(data)),  # noqa: S704 escaped above
    )


def render_sheet(context: dict[str, Any]) -> str:
    """Render the contact sheet of a pack.

    Parameters
    ----------
    context : dict
        From `pack`.

    Returns
    -------
    str
        HTML; equal content gives equal text.
    """
    return open_template("pipeline.library", "sheet.html.j2", link=link).render(context)
