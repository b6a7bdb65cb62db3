"""May the file that lies where something is to be written be replaced?

A command that writes one file replaces what it wrote itself before, and nothing else:
not a recording, not a page of another command, not a text of the user's.
"""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import OutputError, ReampsError

HEAD_BYTES = 4096
PAGE_SUFFIXES = (".html", ".htm")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of file that a command writes.

    Parameters
    ----------
    what : str
        In words, with its article: "a take sheet".
    suffixes : tuple of str
        How its name may end, in lower case; the usual one first.
    is_own : callable
        Whether a file is of this kind. It may raise `OSError`, `ValueError` or
        `ReampsError` where it cannot tell: the file then counts as somebody else's.
    """

    what: str
    suffixes: tuple[str, ...]
    is_own: Callable[[Path], bool]


def page_kind(what: str, generator: str) -> Kind:
    """Make the kind of a page that carries its generator's mark.

    Parameters
    ----------
    what : str
        In words, with its article: "a recall sheet".
    generator : str
        The command that writes it, such as "reamps recall": the template has
        `<meta name="generator" content="reamps recall">` in its first 4096 bytes.

    Returns
    -------
    Kind
        HTML files with this mark near their start.
    """
    mark = f'<meta name="generator" content="{generator}">'.encode("ascii")

    def is_own(path: Path) -> bool:
        with path.open("rb") as handle:
            return mark in handle.read(HEAD_BYTES)

    return Kind(what, PAGE_SUFFIXES, is_own)


def refuse_foreign(path: Path, kind: Kind) -> None:
    """Refuse to write where something else lies, or under a misleading name.

    Parameters
    ----------
    path : Path
        The file that would be written. It need not exist; an empty file holds nothing
        that could be lost.
    kind : Kind
        What would be written.

    Raises
    ------
    OutputError
        If its name does not end like this kind's, or what lies there is no file of
        this kind.
    """
    if path.suffix.lower() not in kind.suffixes:
        message = (
            f"{path}: expected a name that ends in {kind.suffixes[0]} for {kind.what}, "
            f"found {path.suffix or 'no ending'!r}; nothing was written. Name another "
            "file with -o."
        )
        raise OutputError(message)
    # A link that leads nowhere is there, too: a rename would take its place.
    if os.path.lexists(path) and not _replaceable(path, kind):
        message = (
            f"{path}: is there already and is not {kind.what} that reamps wrote; it "
            "was left as it is, and nothing was written. Name another file with -o, "
            "or move this one away."
        )
        raise OutputError(message)


def _replaceable(path: Path, kind: Kind) -> bool:
    try:
        if not path.is_file():
            return False
        return path.stat().st_size == 0 or kind.is_own(path)
    except (OSError, ValueError, ReampsError):
        return False
