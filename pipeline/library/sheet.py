"""What a pack says of its captures: README, table and contact sheet."""

import math
from dataclasses import dataclass
from typing import Any

from pipeline.library.choice import Chosen, Selection
from pipeline.library.labels import place
from pipeline.library.tables import counted, laid_out, plain
from pipeline.models.metrics import METRICS
from pipeline.models.record import Record

_WIDTH, _HEIGHT = 240.0, 70.0
_SPAN_DB = 48.0
_LOW_HZ, _HIGH_HZ = 60.0, 12_000.0
_MARKS = ((100.0, "100 Hz"), (1_000.0, "1 kHz"), (8_000.0, "8 kHz"))
_ROOM = "Every file starts at the first sample of the DI it was played from."


@dataclass(frozen=True, slots=True)
class _Fact:
    label: str
    value: str


def readme(selection: Selection, title: str, licence: str) -> str:
    """Write the README of a pack.

    Parameters
    ----------
    selection : Selection
        What goes in.
    title : str
        Its head.
    licence : str
        Text of the licence, which goes into a file of its own.

    Returns
    -------
    str
        Plain text; nothing of the clock or the machine.
    """
    lines = [
        plain(title),
        "",
        f"{counted(len(selection.chosen), 'tone')}, all at "
        f"{selection.target_lufs:.1f} LUFS (EBU R 128), mono "
        f"{selection.layout.upper()}, 24 bit.",
        f"{_ROOM} Put files of one session side by side on tracks and they line up.",
        "Open sheet.html to listen and compare; it works from disk.",
        "Check the files with: sha256sum -c checksums.sha256",
        "Licence: LICENCE.txt"
        if licence
        else "Licence: none was given; ask before use.",
        "",
    ]
    for chosen in selection.chosen:
        session = plain(str(chosen.facts.get("session") or ""))
        change = f", turned by {chosen.gain_db:+.2f} dB" if chosen.gain_db else ""
        lines.append(f"{chosen.file}")
        lines.append(f"    {session}: {plain(chosen.item.id)}; {place(chosen)}{change}")
        lines += [f"    impulse response: {name}" for name in chosen.impulses]
    return "\n".join(lines) + "\n"


def captures_csv(selection: Selection) -> str:
    """Write the table of a pack.

    Parameters
    ----------
    selection : Selection
        What goes in.

    Returns
    -------
    str
        CSV, one row a capture, with every metric.
    """
    about = ("session", "date", "id", "setup", "mic", "position", "distance_mm")
    keys = tuple(metric.key for metric in METRICS)
    rows = [
        (
            chosen.file,
            *(chosen.facts.get(name) for name in about),
            round(chosen.gain_db, 3),
            *(chosen.item.metrics.get(key) for key in keys),
        )
        for chosen in selection.chosen
    ]
    return laid_out(("file", *about, "turned_db", *keys), rows, "csv") + "\r\n"


def _curve(record: Record, chosen: Chosen) -> str:
    """Third-octave levels as points of a small picture, peak at the top."""
    curves = chosen.item.curves
    if curves is None or record.axes is None:
        return ""
    bands = [
        (hz, level)
        for hz, level in zip(
            record.axes.third_octave_hz, curves.third_octave_db, strict=False
        )
        if _LOW_HZ <= hz <= _HIGH_HZ
    ]
    if len(bands) < 2:
        return ""
    top = max(level for _, level in bands)
    # What lies deeper than the picture leaves it at the bottom; it is no floor.
    return " ".join(
        f"{_across(hz):.1f},{(top - level) / _SPAN_DB * _HEIGHT:.1f}"
        for hz, level in bands
    )


def _across(hz: float) -> float:
    """Find the place of a frequency in the picture, on a logarithmic axis."""
    return _WIDTH * math.log(hz / _LOW_HZ) / math.log(_HIGH_HZ / _LOW_HZ)


def _card(selection: Selection, chosen: Chosen) -> dict[str, Any]:
    metrics = [
        _Fact(
            m.label, f"{value:.{m.digits}f} {m.unit}".strip().replace("-", "\u2212", 1)
        )
        for m in METRICS
        if (value := chosen.item.metrics.get(m.key)) is not None
    ]
    return {
        "name": chosen.name,
        "file": chosen.file,
        "impulses": list(zip(chosen.responses, chosen.impulses, strict=True)),
        "session": chosen.facts.get("session") or "",
        "place": place(chosen),
        "points": _curve(selection.records[chosen.session], chosen),
        "metrics": metrics,
    }


def sheet_context(selection: Selection, title: str) -> dict[str, Any]:
    """Gather what the contact sheet shows.

    Parameters
    ----------
    selection : Selection
        What goes in.
    title : str
        Head of the page.

    Returns
    -------
    dict
        For the template.
    """
    return {
        "title": title,
        "level": f"{selection.target_lufs:.1f}".replace("-", "\u2212"),
        "room": _ROOM,
        "cards": [_card(selection, chosen) for chosen in selection.chosen],
        "marks": [(round(_across(hz), 1), name) for hz, name in _MARKS],
        "width": _WIDTH,
        "height": _HEIGHT,
    }
