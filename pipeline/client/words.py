"""One sentence a tone, made from its measures: never a word without Hz and dB."""

from collections.abc import Sequence
from statistics import median

from pipeline.client.tones import Tone
from pipeline.report.text import hertz, listed, number

LEAST_DB = 0.5
MOST_PARTS = 2
BANDS = (
    ("body_db", "body", "80 to 200 Hz"),
    ("mud_db", "low mids", "200 to 400 Hz"),
    ("presence_db", "presence", "2.5 to 5 kHz"),
    ("fizz_db", "fizz", "5.5 to 10 kHz"),
)


def _differences(tone: Tone, others: Sequence[Tone]) -> list[str]:
    found: list[tuple[float, str, str]] = []
    for key, word, band in BANDS:
        value = tone.metrics.get(key)
        values = [v for one in others if (v := one.metrics.get(key)) is not None]
        if value is not None and values:
            found.append((value - median(values), word, band))
    found.sort(key=lambda item: -abs(item[0]))
    return [
        f"{number(abs(away), 1, 'dB')} {'more' if away > 0 else 'less'} {word} ({band})"
        for away, word, band in found[:MOST_PARTS]
        if abs(away) >= LEAST_DB
    ]


def _drive(tone: Tone, these: Sequence[Tone]) -> str:
    shares = [v for one in these if (v := one.metrics.get("linear_share")) is not None]
    share = tone.metrics.get("linear_share")
    if share is None or len(shares) < 2 or min(shares) == max(shares):
        return ""
    word = {min(shares): "most driven", max(shares): "cleanest"}.get(share)
    if word is None:
        return ""
    own = number(100 * (1 - share), 0, "%")
    return f"; the {word}: {own} of its power is no plain copy of the dry guitar"


def sentence(tone: Tone, these: Sequence[Tone]) -> str:
    """Say what sets a tone apart from the middle of the others.

    Parameters
    ----------
    tone : Tone
        One of them.
    these : sequence of Tone
        All on the page.

    Returns
    -------
    str
        One sentence, made from measures alone.
    """
    parts = _differences(tone, [one for one in these if one.id != tone.id])
    bright = tone.metrics.get("brightness_hz")
    centre = "" if bright is None else f"centred at {hertz(bright)}, "
    if parts:
        said = f"{centre}{listed(parts)} than the middle of the others"
    else:
        said = (
            f"{centre}within {number(LEAST_DB, 1, 'dB')} of the middle of the others "
            "in body, low mids, presence and fizz (80 Hz to 10 kHz)"
        )
    said += _drive(tone, these)
    return f"{said[0].upper()}{said[1:]}."
