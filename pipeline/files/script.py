"""JSON that cannot end the script element it stands in."""

import json

_ESCAPES = {
    "<": "\\u003c",
    ">": "\\u003e",
    "&": "\\u0026",
    "\u2028": "\\u2028",
    "\u2029": "\\u2029",
}


def as_script(data: object) -> str:
    """Write JSON that is safe inside a script element.

    Parameters
    ----------
    data : object
        Anything JSON can hold; finite numbers only.

    Returns
    -------
    str
        Without `<`, `>`, `&`, U+2028 and U+2029, which become escapes.
    """
    found = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for character, escape in _ESCAPES.items():
        found = found.replace(character, escape)
    return found
