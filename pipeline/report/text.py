"""How figures and facts read: short words, every number with its unit.

Written for a tired guitarist: no term stands without its meaning, no word without
its Hz or dB. All functions return plain text; escaping is the template's work.
"""

import re
from collections.abc import Iterable, Mapping
from urllib.parse import quote

from pydantic import JsonValue

from pipeline.models.metrics import Metric

ABSENT = "\N{EN DASH}"
MINUS = "\N{MINUS SIGN}"

_SIGN = re.compile(r"(?<![\w.)/-])-(?=\d)")

_UNIT_ENDINGS = {
    "c": "\N{DEGREE SIGN}C",
    "db": "dB",
    "dbfs": "dBFS",
    "deg": "degrees",
    "hz": "Hz",
    "mm": "mm",
    "ms": "ms",
    "s": "s",
}
POLARITY_WORDS = {
    1: "as the DI",
    -1: "upside down",
    None: "not known",
}


def number(value: float | None, digits: int, unit: str = "") -> str:
    """Figure with its unit, or a dash where there is none.

    Parameters
    ----------
    value : float or None
        The figure.
    digits : int
        Decimals shown.
    unit : str
        Unit, empty for a plain number.

    Returns
    -------
    str
        Such as "-12.3 dB" with a true minus sign; a negative zero loses its sign.
    """
    if value is None:
        return ABSENT
    shown = f"{value:.{digits}f}"
    if float(shown) == 0:
        shown = shown.removeprefix("-")
    shown = shown.replace("-", MINUS)
    return f"{shown}\N{NO-BREAK SPACE}{unit}" if unit else shown


def signed(value: float, digits: int, unit: str = "") -> str:
    """Figure that always shows its sign.

    Parameters
    ----------
    value : float
        The figure.
    digits : int
        Decimals shown.
    unit : str
        Unit, empty for a plain number.

    Returns
    -------
    str
        Such as "+0.5 dB".
    """
    shown = number(value, digits, unit)
    return shown if shown.startswith(MINUS) else f"+{shown}"


def hertz(frequency_hz: float) -> str:
    """Frequency the way a musician says it.

    Parameters
    ----------
    frequency_hz : float
        Frequency in Hz.

    Returns
    -------
    str
        Such as "315 Hz" or "2.5 kHz".
    """
    if frequency_hz < 1000:
        return number(frequency_hz, 0, "Hz")
    shown = f"{frequency_hz / 1000:.1f}".removesuffix(".0")
    return f"{shown}\N{NO-BREAK SPACE}kHz"


def clock(seconds: float) -> str:
    """Length or point of time as minutes and seconds.

    Parameters
    ----------
    seconds : float
        Seconds, 0 or more.

    Returns
    -------
    str
        Such as "3:05".
    """
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def listed(words: Iterable[str]) -> str:
    """Words joined by commas, the last two by "and".

    Parameters
    ----------
    words : iterable of str
        The words.

    Returns
    -------
    str
        Such as "a, b and c"; empty for none.
    """
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def value(found: JsonValue) -> str:
    """Free recall value as one line of text.

    Parameters
    ----------
    found : JSON value
        Anything a manifest may hold.

    Returns
    -------
    str
        Lists joined by commas, tables as "key: value" joined by semicolons.
    """
    if isinstance(found, Mapping):
        return "; ".join(f"{key}: {value(item)}" for key, item in found.items())
    if isinstance(found, list):
        return ", ".join(value(item) for item in found)
    if isinstance(found, bool):
        return "yes" if found else "no"
    if isinstance(found, int | float):
        return told(str(found))
    return ABSENT if found is None else str(found)


def told(message: str) -> str:
    """Message of another part of the program with true minus signs.

    Parameters
    ----------
    message : str
        Plain text; a hyphen before a figure that follows no word is its sign, and
        "+-" is what ASCII has for the range around a figure.

    Returns
    -------
    str
        The same words.
    """
    return _SIGN.sub(MINUS, message.replace("+-", "\N{PLUS-MINUS SIGN}"))


def label(key: str) -> str:
    """Key of a table as words.

    Parameters
    ----------
    key : str
        Such as "pickup_position".

    Returns
    -------
    str
        Such as "Pickup position"; a unit at the end as "Temperature, °C".
    """
    stem, _, ending = key.rpartition("_")
    unit = _UNIT_ENDINGS.get(ending) if stem else None
    words = (stem if unit else key).replace("_", " ").strip()
    words = words[:1].upper() + words[1:]
    return f"{words}, {unit}" if unit else words


def link(path: str) -> str:
    """Relative file path as a link that works from disk.

    Parameters
    ----------
    path : str
        Path relative to the page, with forward slashes.

    Returns
    -------
    str
        Percent-encoded; a leading "./" keeps a colon from reading as a scheme.
    """
    return "./" + quote(path.replace("\\", "/"), safe="/")


def sureness(confidence: float) -> str:
    """Confidence from 0 to 1 in a word and its figure.

    Parameters
    ----------
    confidence : float
        0 to 1.

    Returns
    -------
    str
        Such as "sure (0.98)".
    """
    if confidence >= 0.9:
        word = "sure"
    elif confidence >= 0.6:
        word = "fairly sure"
    else:
        word = "unsure"
    return f"{word} ({number(confidence, 2)})"


def metric_value(metric: Metric, figure: float | None) -> str:
    """Figure of one metric with its unit.

    Parameters
    ----------
    metric : Metric
        Row of the metrics table.
    figure : float or None
        The figure.

    Returns
    -------
    str
        With the metric's digits and unit.
    """
    return number(figure, metric.digits, metric.unit)
