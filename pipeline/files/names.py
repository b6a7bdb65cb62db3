"""Names for files that macOS, Windows and Linux all take, and no two alike.

A text that a user wrote (an identifier, a title) is untrusted: it may hold
separators, reserved device names, control and direction marks, or be too long.
"""

import hashlib
import re
import unicodedata
from collections.abc import Callable, Iterable
from pathlib import Path

from pipeline.errors import OutputError

MAX_NAME_BYTES = 120
MAX_SLUG_CHARACTERS = 60
UNNAMED = "unnamed"
AUDIO_SUFFIXES = frozenset(
    {".wav", ".wave", ".bwf", ".rf64", ".aif", ".aiff", ".aifc", ".caf", ".flac"}
)
"""What the files that are read here are called at their end, in lower case."""
# Windows reserves these whatever follows the first dot (Microsoft, "Naming
# Files, Paths, and Namespaces").
RESERVED = re.compile(
    r"(con|prn|aux|nul|conin\$|conout\$|com[0-9\u00b9\u00b2\u00b3]|lpt[0-9\u00b9\u00b2\u00b3])\s*(\.|$)",
    re.IGNORECASE,
)
FORBIDDEN = re.compile(r'[<>:"/\\|?*]')
INVISIBLE = frozenset({"Cc", "Cf", "Cs", "Cn", "Co", "Zl", "Zp"})
SPELT_OUT = str.maketrans(
    {
        "\u00df": "ss",
        "\u00e6": "ae",
        "\u00c6": "AE",
        "\u00f8": "o",
        "\u00d8": "O",
        "\u0153": "oe",
        "\u0152": "OE",
        "\u0142": "l",
        "\u0141": "L",
        "\u0111": "d",
        "\u0110": "D",
        "\u2018": "'",
        "\u2019": "'",
        "\u201c": '"',
        "\u201d": '"',
        "\u2013": "-",
        "\u2014": "-",
        "\u2212": "-",
        "\u2026": "...",
        "\u00b0": " deg",
        "\u00d7": "x",
    }
)


def _mark(text: str) -> str:
    """Eight hexadecimal digits that stand for a text."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]


def _cut(text: str, most_bytes: int) -> str:
    """Longest start of a text that fits, in whole characters."""
    return text.encode("utf-8")[:most_bytes].decode("utf-8", "ignore")


def ascii_text(text: str) -> str:
    """Spell a text with printable ASCII characters.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        Accents are dropped, common marks spelt out, line breaks and control
        characters become spaces, what is left over becomes ``?``.
    """
    split = unicodedata.normalize("NFKD", text.translate(SPELT_OUT))
    plain = (c for c in split if not unicodedata.combining(c))
    return "".join(
        " " if unicodedata.category(c) in INVISIBLE else c if c.isascii() else "?"
        for c in plain
    )


def safe_name(text: str) -> str:
    """Make a file name (without a folder) of any text.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        1 to 120 bytes of UTF-8, composed (NFC): no separators or other
        forbidden characters, no control or direction marks, no leading or
        trailing dot, space or hyphen, no reserved device name. A text that was
        too long ends in eight digits that stand for the whole of it.
    """
    visible = "".join(
        " " if c.isspace() else "" if unicodedata.category(c) in INVISIBLE else c
        for c in text
    )
    composed = unicodedata.normalize("NFC", visible)
    name = " ".join(FORBIDDEN.sub("-", composed).split()).strip(" .-") or UNNAMED
    if RESERVED.match(name):
        name = f"_{name}"
    if len(name.encode("utf-8")) > MAX_NAME_BYTES:
        name = f"{_cut(name, MAX_NAME_BYTES - 9).rstrip(' .-')}-{_mark(text)}"
    return name


def as_seen(name: str) -> str:
    """Fold a name like a file system without capitals compares it.

    Parameters
    ----------
    name : str
        Name of a file.

    Returns
    -------
    str
        Equal for names that may be one file.
    """
    return unicodedata.normalize("NFC", name.upper().casefold())


def unspaced(text: str) -> str:
    """Spell a text without blanks, for names that travel through command lines.

    Parameters
    ----------
    text : str
        Any text, such as "near + far +1.5 dB".

    Returns
    -------
    str
        Such as "near+far_+1.5_dB": an underscore for blanks, none around a lone
        plus sign.
    """
    return "_".join(text.replace(" + ", "+").split())


def unique_names(
    ids: Iterable[str], spelt: Callable[[str], str] | None = None
) -> dict[str, str]:
    """Give every identifier a safe file name of its own.

    Parameters
    ----------
    ids : iterable of str
        Distinct identifiers, in their order.
    spelt : callable, optional
        Spells an identifier otherwise before it is made safe.

    Returns
    -------
    dict of str to str
        Identifier to name. No two names differ by capitals alone. The first of
        several that would share a name keeps it; the others end in digits that
        stand for them, so appending identifiers changes no earlier name.

    Raises
    ------
    ValueError
        When an identifier comes twice.
    """
    names: dict[str, str] = {}
    taken: set[str] = set()
    for text in ids:
        if text in names:
            msg = f"identifier {text!r} comes twice"
            raise ValueError(msg)
        own = safe_name(spelt(text) if spelt else text)
        name, salt = own, ""
        while as_seen(name) in taken:
            stem = _cut(own, MAX_NAME_BYTES - 9).rstrip(" .-")
            name = f"{stem}-{_mark(text + salt)}"
            salt += "+"
        taken.add(as_seen(name))
        names[text] = name
    return names


def response_names(ids: Iterable[str]) -> dict[str, tuple[str, str]]:
    """Name the impulse responses of a run's captures.

    Parameters
    ----------
    ids : iterable of str
        Of every capture of the run, in their order, so that a name does not depend on
        which responses are wanted.

    Returns
    -------
    dict of str to tuple of str
        By id: what names start with of its responses as measured, and of minimum
        phase; a blank, the rate in Hz and ``.wav`` follow. No two are alike, not even
        where an id ends in "minimum phase".
    """
    plain = list(dict.fromkeys(ids))
    early = [f"{id_}\0 minimum phase" for id_ in plain]
    every = dict.fromkeys([*plain, *early])
    names = unique_names(every, lambda text: text.replace("\0", ""))
    return {
        id_: (names[id_], names[other]) for id_, other in zip(plain, early, strict=True)
    }


def slug(text: str) -> str:
    """Make a short name of lower-case letters, digits and hyphens.

    Parameters
    ----------
    text : str
        Any text, such as a session's title.

    Returns
    -------
    str
        1 to 60 characters that start with a letter or digit. Where letters were lost
        or the text was too long it ends in eight digits that stand for the whole of
        it, after ``unnamed-`` if there is no ASCII letter or digit.
    """
    plain = ascii_text(text)
    name = "-".join(re.findall(r"[a-z0-9]+", plain.lower()))
    lost = plain.count("?") > text.count("?")
    if not name or lost or len(name) > MAX_SLUG_CHARACTERS:
        mark = _mark(text)
        short = name[: MAX_SLUG_CHARACTERS - len(mark) - 1].rstrip("-")
        name = f"{short or UNNAMED}-{mark}"
    return f"{name}-session" if RESERVED.match(name) else name


def inside(base: Path, candidate: Path) -> Path:
    """Refuse to read or write outside a folder.

    Parameters
    ----------
    base : Path
        The only folder that may be touched.
    candidate : Path
        What would be read or written, relative to `base` or absolute.

    Returns
    -------
    Path
        The resolved candidate, strictly inside `base` after following links.

    Raises
    ------
    OutputError
        When it lies outside, or cannot be resolved.
    """
    try:
        root = base.resolve()
        target = (root / candidate).resolve()
    except (OSError, RuntimeError, ValueError) as error:
        msg = f"{candidate}: cannot be resolved ({error}). Check the folder's links."
        raise OutputError(msg) from error
    if target == root or not target.is_relative_to(root):
        msg = (
            f"{candidate}: lies outside of {base}, at {target}. Nothing was written; "
            "name a place inside."
        )
        raise OutputError(msg)
    return target
