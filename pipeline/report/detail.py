"""Record to view: one capture in full, and how sure the night's figures are."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import JsonValue

from pipeline.models.metrics import METRICS, Metric
from pipeline.models.record import Capture, LoudnessResult, Record
from pipeline.report import places, text, titles
from pipeline.report.findings import FindingItem, finding_item
from pipeline.report.harmonics import marker_facts
from pipeline.report.names import Name
from pipeline.report.view import Fact, facts

MOST_IN_FULL = 120
"""A larger night leaves its sheets to the script, so that the page opens soon."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """Recall data under one heading."""

    heading: str
    facts: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class Reading:
    """One metric of one capture."""

    metric: Metric
    shown: str


@dataclass(frozen=True, slots=True)
class DetailView:
    """One capture in full."""

    name: Name
    status: str
    status_word: str
    headline: str
    findings: tuple[FindingItem, ...]
    sheets: tuple[Sheet, ...]
    readings: tuple[Reading, ...]
    file: str
    written: str | None


@dataclass(frozen=True, slots=True)
class FloorView:
    """The spread among captures of one set-up recorded again."""

    sentence: str
    facts: tuple[Fact, ...]
    groups: tuple[tuple[Name, ...], ...]


def _place_facts(capture: Capture) -> tuple[Fact, ...]:
    spot = capture.place
    found = (
        ("Speaker", spot.speaker),
        ("Position", spot.position),
        ("From the cap's centre", _mm(spot.offset_mm)),
        ("To the right of the cap's centre", _mm(spot.x_mm)),
        ("Above the cap's centre", _mm(spot.y_mm)),
        ("Distance from the grille", _mm(spot.distance_mm)),
        ("Height above the floor", _mm(spot.height_mm)),
        (
            "Angle off axis",
            None
            if spot.angle_deg is None
            else f"{text.number(spot.angle_deg, 0)}\N{DEGREE SIGN}",
        ),
        ("Treatment", spot.treatment),
    )
    return tuple(Fact(label, value) for label, value in found if value is not None)


def _mm(length: float | None) -> str | None:
    return None if length is None else text.number(length, 0, "mm")


def _level_facts(found: LoudnessResult | None) -> tuple[Fact, ...]:
    if found is None:
        return ()
    return (
        Fact("As recorded", text.number(found.source_lufs, 1, "LUFS")),
        Fact("Gain", text.signed(found.gain_db, 2, "dB")),
        Fact("Now", text.number(found.lufs, 2, "LUFS")),
        Fact("Loudest 0.4 s", text.number(found.max_momentary_lufs, 1, "LUFS")),
        Fact("Loudest 3 s", text.number(found.max_short_term_lufs, 1, "LUFS")),
        Fact("True peak", text.number(found.true_peak_dbtp, 1, "dBTP")),
    )


def _timing_facts(capture: Capture) -> tuple[Fact, ...]:
    found = capture.latency
    if found is None:
        return ()
    air = found.acoustic_mm
    return (
        Fact(
            "Late by",
            f"{text.number(capture.late_ms, 3, 'ms')} "
            f"({text.number(capture.late_samples, 2)} samples)",
        ),
        Fact("Moved by", f"{text.number(capture.shift_samples, 2)} samples"),
        Fact("Way round", text.POLARITY_WORDS[found.polarity]),
        Fact("How sure", text.sureness(found.confidence)),
        *(
            ()
            if air is None
            else (Fact("Way through the air", text.number(air, 0, "mm")),)
        ),
    )


def _general_facts(capture: Capture) -> tuple[Fact, ...]:
    found = [
        Fact("Source file", f"{capture.file}, channel {capture.channel}"),
        Fact("Pass", capture.pass_id),
    ]
    if capture.control:
        found.append(Fact("Control", "the same set-up recorded again"))
    if capture.tags:
        found.append(Fact("Tags", ", ".join(capture.tags)))
    if capture.notes:
        found.append(Fact("Notes", capture.notes))
    if capture.photo:
        found.append(Fact("Photo", capture.photo))
    return (*found, *facts(capture.private, private=True))


def _named(word: str, name: str | None, table: Mapping[str, JsonValue]) -> Sheet | None:
    if name is None:
        return None
    kept = {key: item for key, item in table.items() if key != "speakers"}
    return Sheet(f"{word}: {name}", facts(kept))


def _sheets(capture: Capture, record: Record) -> tuple[Sheet, ...]:
    recall = record.recall
    setup = recall.setup.get(capture.setup or "", {})
    held = setup.get("cabinet")
    cabinet = held if isinstance(held, str) else None
    found = (
        Sheet("Place", _place_facts(capture)),
        _named("Set-up", capture.setup, setup),
        _named("Cabinet", cabinet, recall.cabinet.get(cabinet or "", {})),
        _named("Microphone", capture.mic, recall.mic.get(capture.mic or "", {})),
        Sheet("Timing", _timing_facts(capture)),
        Sheet("Markers", marker_facts(capture, record.di.sample_rate_hz)),
        Sheet("Level", _level_facts(capture.loudness)),
        Sheet("Take", _general_facts(capture)),
    )
    return tuple(
        sheet
        for sheet in found
        if sheet is not None and (sheet.facts or ":" in sheet.heading)
    )


def _readings(capture: Capture) -> tuple[Reading, ...]:
    if not capture.metrics:
        return ()
    return tuple(
        Reading(metric, text.metric_value(metric, capture.metrics.get(metric.key)))
        for metric in METRICS
    )


def details(record: Record, names: Mapping[str, Name]) -> tuple[DetailView, ...]:
    """Every capture in full.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    tuple of DetailView
        In the record's order.
    """
    return tuple(
        DetailView(
            name=names[capture.id],
            status=capture.status,
            status_word=titles.STATUS_WORDS[capture.status],
            headline=places.place(capture.place),
            findings=tuple(finding_item(None, f) for f in capture.findings),
            sheets=_sheets(capture, record),
            readings=_readings(capture),
            file=capture.file,
            written=capture.output.file if capture.output else None,
        )
        for capture in record.captures
    )


def compact(views: Sequence[DetailView]) -> dict[str, Any]:
    """Pack the sheets of many captures: each different sheet once.

    Parameters
    ----------
    views : sequence of DetailView
        The captures.

    Returns
    -------
    dict
        `sheets`: heading and rows of label, value and whether it is private;
        `of`: for each capture the numbers of its sheets.
    """
    numbers: dict[Sheet, int] = {}
    of = [
        [numbers.setdefault(sheet, len(numbers)) for sheet in view.sheets]
        for view in views
    ]
    sheets = [
        [s.heading, [[f.label, f.value, int(f.private)] for f in s.facts]]
        for s in numbers
    ]
    return {"sheets": sheets, "of": of}


def floor(record: Record, names: Mapping[str, Name]) -> FloorView:
    """How small a difference the night can show.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    FloorView
        Says "unknown" when no set-up was recorded twice.
    """
    groups = tuple(
        tuple(names[member] for member in group if member in names)
        for group in record.comparison.groups
    )
    found = record.repeatability
    lone = [capture.id for capture in record.captures if capture.control]
    if found is None and lone:
        return FloorView(
            f"Unknown: {text.listed(lone)} marked control = true, and no other capture "
            "of the same set-up, microphone and place can be used.",
            (),
            groups,
        )
    if found is None:
        return FloorView(
            "Unknown: no control captures. Record one set-up again, unchanged, and "
            "mark it control = true: then this page can tell small differences from "
            "chance.",
            (),
            groups,
        )
    labels = {metric.key: metric for metric in METRICS}
    rows = [
        Fact(
            labels[key].label,
            text.number(spread, labels[key].digits + 1, labels[key].unit),
        )
        for key, spread in found.metrics.items()
        if key in labels
    ]
    return FloorView(
        f"Recorded again unchanged: {text.listed(found.captures)}. Whatever differs "
        "less than these, of one set-up, microphone and place, cannot be told apart "
        "tonight.",
        (
            Fact("Spectrum", text.number(found.distance_db, 2, "dB")),
            Fact(
                "Timing",
                "not known: each recording was started by hand"
                if found.latency_samples is None
                else f"{text.number(found.latency_samples, 2)} samples",
            ),
            *rows,
        ),
        groups,
    )
