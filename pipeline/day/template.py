"""Names by a template: text with fields in braces."""

import re
from collections.abc import Mapping

from pydantic import JsonValue

from pipeline.errors import ReampsError
from pipeline.models.record import Capture

_FIELD = re.compile(r"\{(\w+)\}")
_PLACE_FIELDS = (
    "speaker",
    "position",
    "distance_mm",
    "offset_mm",
    "angle_deg",
    "treatment",
)
_ABSENT = "\x00"


def capture_fields(capture: Capture) -> dict[str, object]:
    """Say what a template's fields mean for a capture.

    Parameters
    ----------
    capture : Capture
        Any capture.

    Returns
    -------
    dict of str to object
        None where the manifest says nothing.
    """
    return {
        "id": capture.id,
        "pass": capture.pass_id,
        "setup": capture.setup,
        "mic": capture.mic,
        **{key: getattr(capture.place, key) for key in _PLACE_FIELDS},
    }


def fill(
    template: str, own: Mapping[str, object], session: Mapping[str, JsonValue]
) -> str:
    """Fill a template with what a capture or a blend says.

    Parameters
    ----------
    template : str
        Text with fields in braces.
    own : mapping of str to object
        From `capture_fields`.
    session : mapping of str to JSON value
        The session's keys; `private` is no field.

    Returns
    -------
    str
        A text that is not yet safe as a name; absent values leave nothing, and the
        separators around them close up.

    Raises
    ------
    ReampsError
        If a field is neither a capture's nor in the session.
    """
    fields = ("setup", "mic", *_PLACE_FIELDS)
    values: dict[str, object] = dict.fromkeys(fields) | dict(own)
    for key, value in session.items():
        if isinstance(value, str | int | float) and key != "private":
            values.setdefault("session" if key == "name" else key, value)
    values.setdefault("date", None)

    unknown = [name for name in _FIELD.findall(template) if name not in values]
    if unknown:
        known = ", ".join(sorted(values))
        message = f"the template has a field {unknown[0]!r}; known are: {known}"
        raise ReampsError(message)

    def text(match: re.Match[str]) -> str:
        value = values[match[1]]
        if value is None:
            return _ABSENT
        return f"{value:g}" if _is_number(value) else str(value)

    # A separator and a unit go with the value that they belonged to.
    filled = re.sub(rf"[ _-]*{_ABSENT}(?:mm|deg)?", "", _FIELD.sub(text, template))
    return filled.strip(" _-")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
