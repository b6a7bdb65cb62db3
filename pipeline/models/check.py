"""What is wrong with a manifest, said so that a person can mend it.

Two passes over what the TOML parser gave: the shape, through the models, and the
references between tables. Both run always, so that all mistakes come at once.
"""

import json

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from pipeline.models.manifest import (
    Align,
    Blend,
    BlendPart,
    Cabinet,
    Capture,
    Compare,
    Context,
    Di,
    Loopback,
    Loudness,
    Manifest,
    Mic,
    Session,
    Setup,
    Speaker,
    Wanted,
)
from pipeline.models.mistakes import Mistake, Raw, nearest, place_of
from pipeline.models.references import reference_mistakes

_TABLES: dict[str, type[BaseModel]] = {
    "session": Session,
    "di": Di,
    "loopback": Loopback,
    "align": Align,
    "loudness": Loudness,
    "compare": Compare,
    "context": Context,
    "setup": Setup,
    "cabinet": Cabinet,
    "mic": Mic,
    "capture": Capture,
    "blend": Blend,
    "parts": BlendPart,
    "nearest": Wanted,
    "speakers": Speaker,
}
_SHOWN = 60
_EXPECTED = {
    "missing": "this key is needed",
    "extra_forbidden": "no key of that name here",
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "tuple_type": "a list in [ ]",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "string_too_short": "a text with something in it",
    "string_too_long": "{max_length} characters at most",
    "too_short": "{min_length} entries in the list, or more",
}


def find_mistakes(
    raw: Raw, *, sheet_unread: bool = False
) -> tuple[Manifest | None, list[Mistake]]:
    """Check a parsed manifest whole.

    Parameters
    ----------
    raw : mapping
        What the TOML parser gave, JSON-like.
    sheet_unread : bool
        True where a take sheet has captures that are not among its own.

    Returns
    -------
    manifest : Manifest or None
        The manifest, when its shape is right.
    mistakes : list of Mistake
        Every mistake; empty when the manifest can be used.
    """
    manifest = None
    mistakes: list[Mistake] = []
    try:
        # Strict models take lists for tuples from JSON only.
        manifest = Manifest.model_validate_json(json.dumps(raw))
    except ValidationError as error:
        mistakes = [_shape_mistake(raw, detail) for detail in error.errors()]
    mistakes += reference_mistakes(raw, sheet_unread=sheet_unread)
    return manifest, mistakes


def _shape_mistake(raw: Raw, detail: ErrorDetails) -> Mistake:
    loc = detail["loc"]
    key = str(loc[-1]) if loc else ""
    if detail["type"] == "extra_forbidden":
        near = nearest(key, _known_keys(loc))
        hint = f"; did you mean {near!r}?" if near else ""
        return Mistake(place_of(raw, loc), f"no key of that name is known here{hint}")
    if detail["type"] == "missing":
        return Mistake(place_of(raw, loc), "is missing; this key is needed")
    expected = _expected(detail)
    found = json.dumps(detail["input"], ensure_ascii=False, default=str)
    if len(found) > _SHOWN:
        found = f"{found[:_SHOWN]}..."
    return Mistake(place_of(raw, loc), f"found {found}, expected {expected}")


def _expected(detail: ErrorDetails) -> str:
    known = _EXPECTED.get(detail["type"])
    if known is not None:
        return known.format_map(detail.get("ctx", {}))
    message = detail["msg"].removeprefix("Input should be ")
    return message[:1].lower() + message[1:]


def _known_keys(loc: tuple[int | str, ...]) -> list[str]:
    tables = [part for part in loc[:-1] if part in _TABLES]
    model = _TABLES[str(tables[-1])] if tables else Manifest
    return [field.alias or name for name, field in model.model_fields.items()]
