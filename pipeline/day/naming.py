"""What does a file's name say about the capture in it?

A user may give a pattern, such as "{setup} {mic} {distance_mm}mm_{pass}". Without
one, only the plain words of the trade are read; what stays unclear is left out.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

from pipeline.errors import ReampsError

TEXTS = ("id", "pass", "setup", "mic", "speaker", "position", "treatment", "notes")
LENGTHS = ("distance", "offset", "height", "x", "y")
MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
NUMBER = r"-?\d+(?:[.,]\d+)?"

_FIELD = re.compile(r"\{(\w*)\}")
_WORD = re.compile(r"[a-z]+|\d+(?:[.,]\d+)?")
_DISTANCE = re.compile(rf"(?<![\d.,])({NUMBER[2:]})[ _-]?(mm|cm|in|inch)(?![a-z])")
_PASS = re.compile(
    r"(?<![a-z0-9])(?:p|t|pass|take|tk)[ _.-]?(\d{1,4})(?!\d)|[ _.-](\d{1,4})$"
)
_TYPES = {
    "dyn": "dynamic",
    "dynamic": "dynamic",
    "rib": "ribbon",
    "ribbon": "ribbon",
    "cond": "condenser",
    "condenser": "condenser",
}
_POSITIONS = {
    "cap": "cap",
    "capedge": "cap edge",
    "cap edge": "cap edge",
    "centre": "cap centre",
    "center": "cap centre",
    "cone": "cone",
    "cone edge": "cone edge",
    "room": "room",
    "rear": "rear",
    "back": "rear",
}


@dataclass(frozen=True, slots=True)
class Named:
    """What a name says.

    Parameters
    ----------
    fields : dict of str to str or float
        Capture keys: texts, `distance_mm` and its like as numbers, `angle_deg`.
    mic_type : str or None
        Type of the microphone, where a word of the name says so.
    take : str or None
        Number of the pass or take, without leading zeros.
    rest : str
        The name without that number, folded: what tracks are told apart by.
    """

    fields: Mapping[str, str | float]
    mic_type: str | None
    take: str | None
    rest: str


def compile_pattern(pattern: str) -> re.Pattern[str]:
    """Make a matcher of a user's pattern.

    Parameters
    ----------
    pattern : str
        Text with fields in braces: ``{id}``, ``{pass}``, ``{setup}``, ``{mic}``,
        ``{speaker}``, ``{position}``, ``{treatment}``, ``{notes}``, ``{angle_deg}``,
        ``{distance_mm}``, ``{offset_mm}``, ``{height_mm}``, ``{x_mm}``, ``{y_mm}``
        (also ``_cm``, ``_m`` and ``_in``); ``{}`` matches anything. A text with
        ``(?P<`` is taken for a regular expression with such groups.

    Returns
    -------
    re.Pattern
        To be matched against the whole stem, capitals ignored.

    Raises
    ------
    ReampsError
        If a field is unknown, comes twice, or the expression is no good.
    """
    if "(?P<" in pattern:
        source = pattern
    else:
        parts = _FIELD.split(pattern)
        texts = [re.escape(text) for text in parts[::2]]
        fields = [_group(name, pattern) for name in parts[1::2]]
        source = "".join(
            text + field for text, field in zip(texts, [*fields, ""], strict=True)
        )
    try:
        compiled = re.compile(source, re.IGNORECASE)
    except re.error as error:
        message = f"the pattern {pattern!r} cannot be used: {error}"
        raise ReampsError(message) from error
    for name in compiled.groupindex:
        _group(name, pattern)
    return compiled


def _group(name: str, pattern: str) -> str:
    if not name:
        return ".*?"
    if name in TEXTS or name == "take":
        return f"(?P<{name}>.+?)"
    kind, _, unit = name.partition("_")
    if (kind in LENGTHS and unit in MM) or name == "angle_deg":
        return f"(?P<{name}>{NUMBER})"
    known = [*TEXTS, "angle_deg", *(f"{length}_mm" for length in LENGTHS)]
    message = (
        f"the pattern {pattern!r} has a field {name!r}; expected one of "
        f"{', '.join(known)}"
    )
    raise ReampsError(message)


def read_name(stem: str, pattern: re.Pattern[str] | None) -> Named:
    """Read the name of a file.

    Parameters
    ----------
    stem : str
        The name without folder and suffix.
    pattern : re.Pattern or None
        From `compile_pattern`; None, or one that does not match, leaves the words
        of the trade.

    Returns
    -------
    Named
        What it says.
    """
    found = pattern.fullmatch(stem) if pattern else None
    folded = re.sub(r"([a-z])([A-Z])", r"\1 \2", stem).lower()
    if found is None:
        return _guess(folded)
    fields: dict[str, str | float] = {}
    for name, text in found.groupdict().items():
        if text is None or name == "take":
            continue
        kind, _, unit = name.partition("_")
        if kind in LENGTHS:
            fields[f"{kind}_mm"] = round(float(text.replace(",", ".")) * MM[unit], 3)
        elif name == "angle_deg":
            fields[name] = float(text.replace(",", "."))
        else:
            fields[name] = text.strip(" _-")
    groups = found.groupdict()
    take = groups.get("pass") or groups.get("take")
    return Named(fields, _type(folded), take, _rest(folded))


def _guess(folded: str) -> Named:
    fields: dict[str, str | float] = {}
    distance = _DISTANCE.search(folded)
    if distance:
        size = float(distance[1].replace(",", "."))
        fields["distance_mm"] = round(size * MM[distance[2][:2]], 3)
    words = _WORD.findall(folded)
    pairs = [" ".join(two) for two in pairwise(words)]
    position = next((_POSITIONS[w] for w in (*pairs, *words) if w in _POSITIONS), None)
    if position:
        fields["position"] = position
    kind = _type(folded)
    if kind:
        fields["mic"] = kind
    return Named(fields, kind, _take(folded), _rest(folded))


def _type(folded: str) -> str | None:
    words = _WORD.findall(folded)
    return next((_TYPES[word] for word in words if word in _TYPES), None)


def _take(folded: str) -> str | None:
    found = _PASS.search(folded)
    if found is None:
        return None
    return (found[1] or found[2]).lstrip("0") or "0"


def _rest(folded: str) -> str:
    return _PASS.sub("", folded, count=1).strip(" _-.")
