"""Record to view: average spectra, and their differences from the reference.

Curves are stored results put onto a frame's scales. A difference of two stored
curves is drawn, not measured.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import log2

from pipeline.models.record import Axes, Capture, Record
from pipeline.report import text
from pipeline.report.names import Name
from pipeline.report.plots import (
    WIDE,
    Axis,
    Frame,
    even_axis,
    frame,
    hertz_axis,
)
from pipeline.report.thinning import MOST_LINES, by_brightness, chosen, thinned

LOW_HZ, HIGH_HZ = 40.0, 16000.0
SPAN_DB = 60.0
A_OCTAVE = 12
"""Points an octave of a difference, at least: two for each sixth-octave band."""
REACHES_DB = (6, 12, 18, 24, 36, 48, 60)
"""Ends of the axis of differences: six steps of whole dB; the page knows them too."""


@dataclass(frozen=True, slots=True)
class Curve:
    """One capture's line."""

    name: Name
    path: str
    role: str


@dataclass(frozen=True, slots=True)
class Spectra:
    """Average spectra, and their differences from the reference."""

    levels: Frame
    differences: Frame
    curves: tuple[Curve, ...]
    difference_curves: tuple[Curve, ...]
    reference: Name
    di: str
    note: str | None


def band_rows(axes: Axes | None) -> list[int]:
    """Third octaves that the pictures show.

    Parameters
    ----------
    axes : Axes or None
        The record's frequencies.

    Returns
    -------
    list of int
        Places in the curves from 40 Hz to 16 kHz.
    """
    if axes is None:
        return []
    # Half a band of room: exact centres lie beside their nominal names.
    low, high = LOW_HZ / 1.1, HIGH_HZ * 1.1
    return [k for k, hz in enumerate(axes.third_octave_hz) if low <= hz <= high]


def bands(axes: Axes | None) -> tuple[tuple[float, str], ...]:
    """Third octaves that the pictures show, by centre and name.

    Parameters
    ----------
    axes : Axes or None
        The record's frequencies.

    Returns
    -------
    tuple of (float, str)
        Exact centre in Hz, nominal name.
    """
    if axes is None:
        return ()
    return tuple((axes.third_octave_hz[k], _band(axes, k)) for k in band_rows(axes))


def fine_rows(axes: Axes | None) -> list[int]:
    """Points of the smoothed spectra that the differences show.

    Parameters
    ----------
    axes : Axes or None
        The record's frequencies.

    Returns
    -------
    list of int
        Places in the curves from 40 Hz to 16 kHz, thinned to `A_OCTAVE`.
    """
    if axes is None:
        return []
    within = [k for k, hz in enumerate(axes.smooth_hz) if LOW_HZ <= hz <= HIGH_HZ]
    return within[:: max(1, int(len(within) / (A_OCTAVE * log2(HIGH_HZ / LOW_HZ))))]


def _difference_axis(curves: Iterable[Sequence[float]]) -> Axis:
    widest = max((abs(at) for curve in curves for at in curve), default=6.0)
    reach = next((r for r in REACHES_DB if widest <= r), REACHES_DB[-1])
    ticks = tuple(
        (float(at), f"{at:+d}".replace("-", "\N{MINUS SIGN}") if at else "0")
        for at in range(-reach, reach + 1, reach // 3)
    )
    return Axis(-reach, reach, ticks, "dB against the reference")


def spectra(record: Record, names: Mapping[str, Name]) -> Spectra | None:
    """Average spectra of the captures.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    Spectra or None
        None when no capture has a curve.
    """
    drawn = [c for c in by_brightness(record.captures) if c.curves is not None]
    rows, places = band_rows(record.axes), fine_rows(record.axes)
    if not drawn or record.axes is None or not rows or not places:
        return None
    hz = [record.axes.third_octave_hz[k] for k in rows]
    fine_hz = [record.axes.smooth_hz[k] for k in places]
    levels = {c.id: _levels(c, rows) for c in drawn}
    held = held_to(record)
    changes = _changes(record, drawn, places)
    keep, total = chosen(record, levels, MOST_LINES)
    top = max(max(curve) for curve in levels.values())
    x = hertz_axis(LOW_HZ, HIGH_HZ)
    bottom = max(top - SPAN_DB, min(min(curve) for curve in levels.values()))
    level_frame = frame(WIDE, x, even_axis(bottom, top, "dB", 6))
    change_frame = frame(WIDE, x, _difference_axis(changes.values()))
    roles = _roles(record)

    def lines(draw: Callable[[str], str]) -> tuple[Curve, ...]:
        return tuple(
            Curve(names[key], draw(key), roles.get(key, ""))
            for key in levels
            if key in keep
        )

    di = record.di.third_octave_db
    return Spectra(
        levels=level_frame,
        differences=change_frame,
        curves=lines(lambda key: level_frame.path(hz, levels[key])),
        difference_curves=lines(lambda key: change_frame.steps(fine_hz, changes[key])),
        reference=names[held],
        di=level_frame.path(hz, [di[k] for k in rows]) if len(di) > rows[-1] else "",
        note=thinned(len(keep), total),
    )


def held_to(record: Record) -> str:
    """Capture that the others are held to.

    Parameters
    ----------
    record : Record
        The session, with a capture that has curves.

    Returns
    -------
    str
        The reference; without one the first with curves, as on the page.
    """
    known = [capture.id for capture in record.captures if capture.curves]
    chosen_one = record.comparison.reference
    return chosen_one if chosen_one in known else known[0]


def fine(capture: Capture, rows: Sequence[int]) -> list[float]:
    """Smoothed spectrum of a capture where the differences show it.

    Parameters
    ----------
    capture : Capture
        The capture.
    rows : sequence of int
        Places, from `fine_rows`.

    Returns
    -------
    list of float
        dB in sixth-octave bands; empty without curves.
    """
    curve = capture.curves.smooth_db if capture.curves else ()
    return [curve[k] for k in rows] if curve else []


def _changes(
    record: Record, drawn: Sequence[Capture], rows: Sequence[int]
) -> dict[str, list[float]]:
    curves = {capture.id: fine(capture, rows) for capture in drawn}
    zero = curves[held_to(record)]
    return {
        key: [a - b for a, b in zip(curve, zero, strict=True)]
        for key, curve in curves.items()
    }


def _levels(capture: Capture, rows: Sequence[int]) -> list[float]:
    curve = capture.curves.third_octave_db if capture.curves else ()
    return [curve[k] for k in rows]


def _band(axes: Axes, at: int) -> str:
    if at < len(axes.third_octave_label):
        return axes.third_octave_label[at]
    return text.number(axes.third_octave_hz[at], 0)


def _roles(record: Record) -> dict[str, str]:
    roles = {choice.id: "short" for choice in record.shortlist}
    if record.comparison.reference:
        roles[record.comparison.reference] = "reference"
    return roles
