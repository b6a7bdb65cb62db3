"""Which files does a manifest speak of already? Tables and comments both count."""

import re
import tomllib
from collections.abc import Iterable, Mapping

_COMMENT = re.compile(r"#[^\n]*")
_BEFORE, _AFTER = r"(?:(?<=[\s\"'/\\#(\[])|^)", r"(?=$|[\s\"':,;)\]])"


def parse(text: str) -> dict[str, object]:
    """Parse a manifest's text; a byte order mark and any line ends are fine.

    Parameters
    ----------
    text : str
        TOML. A `tomllib.TOMLDecodeError` says what is wrong with it.

    Returns
    -------
    dict
        Its tables.
    """
    return tomllib.loads(text.removeprefix("\ufeff").replace("\r\n", "\n"))


def mentioned(
    text: str, labels: Iterable[str], tables: Mapping[str, object] | None = None
) -> set[str]:
    """Find the files that a manifest mentions.

    Parameters
    ----------
    text : str
        The manifest, valid TOML.
    labels : iterable of str
        Paths relative to the manifest, with slashes.
    tables : mapping, optional
        The manifest's tables with those of its take sheet; without it, those in the
        text.

    Returns
    -------
    set of str
        Those that are the value of a `file` key anywhere, or occur in a comment. A
        comment about "copy a.wav" does not mention "a.wav".
    """
    values = set(_files(parse(text) if tables is None else tables))
    comments = "\n".join(_COMMENT.findall(text))
    found = set()
    for label in sorted(labels, key=len, reverse=True):
        if label in values:
            found.add(label)
        pattern = re.compile(_BEFORE + re.escape(label) + _AFTER, re.MULTILINE)
        comments, count = pattern.subn("", comments)
        if count:
            found.add(label)
    return found


def _files(value: object) -> Iterable[str]:
    if isinstance(value, Mapping):
        file = value.get("file")
        if isinstance(file, str):
            yield file.replace("\\", "/").removeprefix("./")
        for item in value.values():
            yield from _files(item)
    elif isinstance(value, list):
        for item in value:
            yield from _files(item)
