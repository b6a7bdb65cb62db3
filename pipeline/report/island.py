"""Data that the page's script works on."""

from collections.abc import Iterable, Mapping
from itertools import pairwise
from typing import Any

from pipeline.files.script import as_script
from pipeline.models.metrics import METRICS
from pipeline.models.record import Capture, Output, Place, Record
from pipeline.report.along import track_sound
from pipeline.report.distances import Distances, nearest
from pipeline.report.names import Name, audio_link, listen_link
from pipeline.report.passes import sum_frame
from pipeline.report.places import place
from pipeline.report.plots import Frame, Scale
from pipeline.report.spectra import Spectra, band_rows, bands, fine, fine_rows
from pipeline.report.tracks import Tracks

ENVELOPE_POINTS = 600


def _scale(scale: Scale) -> list[float | bool]:
    return [
        round(scale.offset, 4),
        round(scale.slope, 6),
        scale.log,
        scale.low,
        scale.high,
    ]


def _frame(frame: Frame) -> dict[str, Any]:
    return {"x": _scale(frame.x), "y": _scale(frame.y)}


def thinned_envelope(envelope: tuple[float, ...]) -> list[int]:
    """Peaks in hundredths, at most `ENVELOPE_POINTS`, each the largest of its slice.

    Parameters
    ----------
    envelope : tuple of float
        Peaks, 0 to 1.

    Returns
    -------
    list of int
        Peaks, 0 to 100.
    """
    count = min(len(envelope), ENVELOPE_POINTS)
    edges = [k * len(envelope) // count for k in range(count + 1)] if count else []
    return [round(100 * max(envelope[a:b])) for a, b in pairwise(edges)]


def _capture(
    capture: Capture, name: Name, rows: list[int], places: list[int]
) -> dict[str, Any]:
    curve = capture.curves.third_octave_db if capture.curves else ()
    return {
        "id": capture.id,
        "shade": name.shade,
        "audio": name.audio,
        "listen": name.listen,
        "file": capture.output.file if capture.output else None,
        "trim": capture.loudness.trim_db if capture.loudness else 0.0,
        "pass": capture.pass_id,
        "place": place(capture.place),
        "spot": _spot(capture.place),
        "db": [round(10 * curve[k]) for k in rows] if curve else None,
        "fine": _stepwise(fine(capture, places)) if curve else None,
        "m": [_short(capture.metrics.get(metric.key)) for metric in METRICS],
    }


def _stepwise(levels: list[float]) -> list[int]:
    """Tenths of a dB: the first, then each one's step from the one before."""
    tenths = [round(10 * level) for level in levels]
    return [b - a for a, b in pairwise([0, *tenths])]


def _spot(place: Place) -> list[str | float | None] | None:
    """Speaker, then mm and degrees as the manifest has them; None when it has none."""
    lengths = (place.offset_mm, place.x_mm, place.y_mm, place.distance_mm)
    found = [place.speaker, *lengths, place.angle_deg]
    return found if any(value is not None for value in found) else None


def _alike(record: Record, names: Mapping[str, Name]) -> list[list[list[float]]] | None:
    found = nearest(record, names)
    if not found:
        return None
    return [
        [[index, round(db, 2)] for index, db in found.get(capture.id, ())]
        for capture in record.captures
    ]


def _sound(name: str, output: Output) -> dict[str, Any]:
    return {
        "id": name,
        "audio": audio_link(output),
        "listen": listen_link(output),
        "file": output.file,
    }


def _more_sounds(record: Record) -> dict[str, Any]:
    more = {
        f"b{k}": {
            **_sound(blend.id, blend.output),
            "trim": blend.loudness.trim_db,
        }
        for k, blend in enumerate(record.blends)
        if blend.output
    }
    if record.di.output:
        more["di"] = _sound("DI", record.di.output)
    return more


def _indices(ids: Iterable[str], names: Mapping[str, Name]) -> list[int]:
    return [names[key].index for key in ids if key in names]


def _ends(series: tuple[float, ...]) -> list[float] | None:
    return [round(series[0], 1), round(series[-1], 1)] if series else None


def _short(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def island(
    record: Record,
    names: Mapping[str, Name],
    pictures: tuple[Spectra | None, Distances | None, Tracks | None],
    sheets: dict[str, Any] | None,
) -> str:
    """Everything that the script needs.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.
    pictures : tuple
        Spectra, distances and lag over time, as drawn.
    sheets : dict or None
        Packed sheets of a large night.

    Returns
    -------
    str
        JSON for a script element; spectra in tenths of a dB.
    """
    found, spread, lag = pictures
    rows, places = band_rows(record.axes), fine_rows(record.axes)
    reference = record.comparison.reference
    repeat = record.repeatability
    data: dict[str, Any] = {
        "captures": [_capture(c, names[c.id], rows, places) for c in record.captures],
        "alike": _alike(record, names),
        "metrics": [[m.key, m.label, m.unit, m.digits, m.rising] for m in METRICS],
        "reference": names[reference].index
        if reference and reference in names
        else None,
        "floor": {
            "db": repeat.distance_db if repeat else None,
            "m": [repeat.metrics.get(m.key) if repeat else None for m in METRICS],
        },
        "di": {
            "seconds": record.di.frames / record.di.sample_rate_hz,
            "rate": record.di.sample_rate_hz,
            "envelope": thinned_envelope(record.di.envelope),
        },
        "sounds": _more_sounds(record),
        "track": track_sound(record),
        "short": _indices((choice.id for choice in record.shortlist), names),
        "groups": [_indices(group, names) for group in record.comparison.groups],
        "key": record.di.sha256[:16],
        "bands": [[round(hz, 2), label] for hz, label in bands(record.axes)],
        "fine_hz": [round(record.axes.smooth_hz[k], 1) for k in places]
        if record.axes
        else [],
        "span": _ends(record.axes.erb_hz) if record.axes else None,
        "sums": _frame(sum_frame()) if record.pairs else None,
        "tracks": _frame(lag.frame) if lag else None,
        "levels": _frame(found.levels) if found else None,
        "differences": _frame(found.differences) if found else None,
        "distances": {
            "order": [name.index for name in spread.names],
            "db": [
                [round(v, 2) for v in row[:k]] for k, row in enumerate(spread.values)
            ],
        }
        if spread
        else None,
    }
    if sheets is not None:
        data["sheets"] = sheets
    return as_script(data)
