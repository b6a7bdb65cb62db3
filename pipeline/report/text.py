"""How figures and facts read: short words, every number with its unit.

Written for a tired guitarist: no term stands without its meaning, no word without
its Hz or dB. All functions return plain text; escaping is the template's work.
"""

import re
from collections.abc import Iterable, Mapping
from urllib.parse import quote

from pydantic import JsonValue

from pipeline.models.metrics import Metric
from pipeline.models.record import Place

ABSENT = "\N{EN DASH}"
MINUS = "\N{MINUS SIGN}"

_SIGN = re.compile(r"(?<![\w.)/-])-(?=\d)")

STATUS_WORDS = {"ok": "fine", "flagged": "usable, check it", "rejected": "left out"}
SEVERITY_WORDS = {
    "reject": "Left out",
    "warn": "Check before you rely on it",
    "note": "Good to know",
}
FINDING_TITLES = {
    "missing": "File not found",
    "unreadable": "File cannot be read",
    "not_finite": "File holds values that are not numbers",
    "silent": "Nothing on it",
    "not_this_di": "Not a recording of this DI",
    "wrong_sample_rate": "Runs at the wrong speed",
    "truncated": "A part of the DI is missing on it",
    "jump": "Jumps in time",
    "drift": "Slowly runs away from the DI",
    "clipped": "Clipped on the way in",
    "hum": "Mains hum",
    "noisy": "A lot of noise",
    "low_confidence": "Timing is not certain",
    "too_short": "Too short to judge",
    "duplicate": "Same audio twice",
    "polarity_differs": "Polarity differs",
    "resampled": "Converted to the DI's sample rate",
    "varying": "Timing wobbles",
    "second_path": "The sound arrives by more than one path",
    "ambiguous": "More than one timing fits",
    "echo": "An echo in the chain",
    "buffer_change": "The interface's delay changed",
    "bleed": "The dry signal leaks in",
    "gate": "A noise gate is working",
    "muted": "Silent while the DI plays",
    "over": "Peaks over full scale",
    "other_di": "A recording of another DI",
    "swapped": "Microphones have changed inputs",
    "warming": "The amplifier was warming up",
    "not_blended": "A blend was not made",
    "no_overlap": "The backing track and the DI do not meet",
    "markers_disagree": "Markers and music tell different times",
    "markers_only": "The markers are known, the music is not",
    "no_markers": "The play-out file's markers are not in it",
    "several_playouts": "More than one play-out file of this DI",
}
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
    return shown if value < 0 or shown.startswith(MINUS) else f"+{shown}"


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


def finding_title(code: str) -> str:
    """Heading of a finding code.

    Parameters
    ----------
    code : str
        The code.

    Returns
    -------
    str
        Plain words; an unknown code as words.
    """
    return FINDING_TITLES.get(code, label(code))


def _across(spot: Place) -> str | None:
    if spot.offset_mm is not None:
        return f"{number(spot.offset_mm, 0, 'mm')} from the cap's centre"
    if spot.x_mm is not None and spot.y_mm is not None:
        return (
            f"{number(spot.x_mm, 0, 'mm')} right and {number(spot.y_mm, 0, 'mm')} up "
            "from the cap's centre"
        )
    return None


def _angle(spot: Place) -> str | None:
    if spot.angle_deg is None:
        return None
    if spot.angle_deg == 0:
        return "on axis"
    return f"{number(spot.angle_deg, 0)}\N{DEGREE SIGN} off axis"


def _away(spot: Place) -> str | None:
    if spot.distance_mm is None:
        return None
    return f"{number(spot.distance_mm, 0, 'mm')}\N{NO-BREAK SPACE}away"


def place(spot: Place) -> str:
    """Where the microphone stood, in one line.

    Parameters
    ----------
    spot : Place
        The place as written in the manifest.

    Returns
    -------
    str
        Such as "left speaker, cap edge, 25 mm away"; empty when nothing is known.
    """
    height = spot.height_mm
    found = (
        spot.speaker and f"{spot.speaker} speaker",
        spot.position or _across(spot),
        _away(spot),
        _angle(spot),
        None if height is None else f"{number(height, 0, 'mm')} above the floor",
        spot.treatment,
    )
    return ", ".join(words for words in found if words)


def short_place(spot: Place) -> str:
    """Where the microphone stood, for a narrow column.

    Parameters
    ----------
    spot : Place
        The place as written in the manifest.

    Returns
    -------
    str
        Position, distance and angle; empty when none is known.
    """
    angle = _angle(spot) if spot.angle_deg else None
    found = (spot.position or _across(spot), _away(spot), angle)
    return ", ".join(words for words in found if words)


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
