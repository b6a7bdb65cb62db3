"""The page: record to views to templates, one file that works from disk.

Styles and scripts are part of the page; audio stays beside it. Nothing on the page is
measured here; the record and the clients' picks are its only sources.
"""

from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Any

from markupsafe import Markup

from pipeline.files.templates import open_template
from pipeline.models.metrics import METRICS
from pipeline.models.picks import PicksBook
from pipeline.models.record import Record
from pipeline.report import (
    along,
    blends,
    detail,
    distances,
    evidence,
    findings,
    front,
    harmonics,
    passes,
    picks,
    points,
    reflections,
    spectra,
    table,
    text,
    tracks,
    view,
)
from pipeline.report.island import island
from pipeline.report.names import names

STYLES = ("page.css",)
SCRIPTS = (
    "page.js",
    "pictures.js",
    "table.js",
    "numbers.js",
    "sheets.js",
    "gates.js",
    "listen.js",
    "track.js",
    "chance.js",
    "blind.js",
    "picks.js",
)
NOBODY = PicksBook(format=1)


@lru_cache(maxsize=16)
def _static(name: str) -> Markup:
    # Files of this package, not input: they may stand in the page as they are.
    content = files("pipeline.report").joinpath("static", name)
    return Markup(content.read_text(encoding="utf-8"))  # noqa: S704 own file


def _context(record: Record, book: PicksBook) -> Mapping[str, Any]:
    known = names(record)
    curves = spectra.spectra(record, known)
    spread = distances.distances(record, known)
    details = detail.details(record, known)
    in_full = len(details) <= detail.MOST_IN_FULL
    sheets = None if in_full else detail.compact(details)
    rows = table.rows(record, known)
    answered = picks.rounds(book, record, known)
    repeat = record.repeatability
    lag = tracks.tracks(record, known)
    data = island(record, known, (curves, spread, lag), sheets)
    return {
        "title": view.title(record),
        "record": record,
        "session": view.facts({k: v for k, v in record.session.items() if k != "name"}),
        "summary": view.summary(record),
        "di": view.di_facts(record.di),
        "backing": along.track_sentence(record),
        "backing_sound": along.track_sound(record),
        "backing_levels": (along.LEAST_LEVEL_DB, along.MOST_LEVEL_DB),
        "level": view.level_sentence(record.loudness),
        "blocks": findings.finding_blocks(record, known),
        "shortlist": view.shortlist(record, known),
        "rounds": answered,
        "chosen_by": picks.chosen_by(answered),
        "columns": table.COLUMNS,
        "kinds": table.KINDS,
        "hiding": table.hiding(),
        "rows": rows,
        "folding": table.folding(rows, repeat.distance_db if repeat else None),
        "spectra": curves,
        "tones": points.tones(record, known),
        "distances": spread,
        "map": points.tone_map(record, known),
        "bright_ends": front.bright_ends(record),
        "fronts": front.fronts(record, known),
        "tracks": lag,
        "passes": passes.passes(record, known),
        "sum_frame": passes.sum_frame() if record.pairs else None,
        "blends": blends.blends(record),
        "reflections": reflections.reflections(record, known),
        "details": details,
        "sweeps": harmonics.sweeps(record, known),
        "sweep_frames": harmonics.frames() if record.playout else None,
        "evidence": evidence.drawn(record.captures),
        "in_full": in_full,
        "playable": sum(name.audio is not None for name in known.values()) > 1,
        "floor": detail.floor(record, known),
        "metrics": METRICS,
        "names": known,
        "styles": [_static(name) for name in STYLES],
        "scripts": [_static(name) for name in SCRIPTS],
        # as_script leaves no character that could end the element.
        "island": Markup(data),  # noqa: S704 escaped by island.as_script
        "svg": Markup,
        "cell": distances.CELL,
    }


def render_page(record: Record, book: PicksBook = NOBODY) -> str:
    """Render the whole page of one session.

    Parameters
    ----------
    record : Record
        The session.
    book : PicksBook
        What clients chose from it.

    Returns
    -------
    str
        HTML with styles, pictures and scripts inside; audio is linked relative to
        the page. Equal input gives equal text.
    """
    template = open_template("pipeline.report", "page.html.j2", link=text.link)
    return template.render(_context(record, book))
