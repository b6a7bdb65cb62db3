"""Which facts of a capture the catalogue keeps as columns, and what they are called.

A question names a field by its column (`distance_mm`), by its place in the record
(`latency.samples`), or, for free recall keys, by the key alone (`amp`) or with the
table it stands in (`setup.amp`).
"""

from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "number", "flag", "day"]
"""What a field holds: "flag" is yes or no, "day" begins with an ISO 8601 date."""


@dataclass(frozen=True, slots=True)
class Field:
    """One column.

    Parameters
    ----------
    column : str
        Name in questions and results.
    place : str
        Where it stands in a capture of the record, or of its session.
    kind : {"text", "number", "flag", "day"}
        What it holds.
    """

    column: str
    place: str
    kind: Kind


def _fields(kind: Kind, *pairs: str) -> tuple[Field, ...]:
    return tuple(
        Field(column, place or column, kind)
        for column, _, place in (pair.partition("=") for pair in pairs)
    )


TEXTS = _fields(
    "text",
    "id",
    "kind",
    "file",
    "pass",
    "setup",
    "mic",
    "speaker=place.speaker",
    "position=place.position",
    "treatment=place.treatment",
    "status",
    "notes",
    "output_file=output.file",
    "output_sha256=output.sha256",
)
NUMBERS = _fields(
    "number",
    "channel",
    "offset_mm=place.offset_mm",
    "x_mm=place.x_mm",
    "y_mm=place.y_mm",
    "distance_mm=place.distance_mm",
    "height_mm=place.height_mm",
    "angle_deg=place.angle_deg",
    "latency_samples=latency.samples",
    "latency_ms=latency.ms",
    "polarity=latency.polarity",
    "confidence=latency.confidence",
    "drift_ppm=latency.drift_ppm",
    "explained_share=latency.explained_share",
    "shift_samples",
    "source_lufs=loudness.source_lufs",
    "gain_db=loudness.gain_db",
    "lufs=loudness.lufs",
    "max_momentary_lufs=loudness.max_momentary_lufs",
    "max_short_term_lufs=loudness.max_short_term_lufs",
    "true_peak_dbtp=loudness.true_peak_dbtp",
    "frames=output.frames",
    "brightness_hz=metrics.brightness_hz",
    "tilt_db_per_octave=metrics.tilt_db_per_octave",
    "body_db=metrics.body_db",
    "mud_db=metrics.mud_db",
    "presence_db=metrics.presence_db",
    "fizz_db=metrics.fizz_db",
    "crest_db=metrics.crest_db",
    "plr_db=metrics.plr_db",
    "lra_lu=metrics.lra_lu",
    "noise_dbfs=metrics.noise_dbfs",
    "hum_db=metrics.hum_db",
    "linear_share=metrics.linear_share",
    "compression_db_per_db=metrics.compression_db_per_db",
    "hold_db=metrics.hold_db",
)
FLAGS = _fields("flag", "control")
CAPTURE_FIELDS = TEXTS + NUMBERS + FLAGS
"""Columns of the table of captures, format 1."""

SESSION_FIELDS = (
    Field("session", "session.name", "text"),
    Field("date", "session.date", "day"),
    Field("created", "created", "day"),
    Field("folder", "folder", "text"),
    Field("di_sha256", "di.sha256", "text"),
    Field("di_file", "di.file", "text"),
    Field("sample_rate_hz", "di.sample_rate_hz", "number"),
    Field("target_lufs", "loudness.effective_target_lufs", "number"),
    Field("max_true_peak_dbtp", "loudness.max_true_peak_dbtp", "number"),
)
"""Columns of the table of sessions, format 1."""


def known_places() -> dict[str, tuple[str, Field]]:
    """Every name under which a column can be asked for.

    Returns
    -------
    dict of str to (table, Field)
        By column and by place in the record, in lower case.
    """
    found = {
        name: ("capture", Field(name, name, "number"))
        for name in ("number", "session_number")
    }
    for table, fields in (("session", SESSION_FIELDS), ("capture", CAPTURE_FIELDS)):
        for field in fields:
            found[field.place.lower()] = (table, field)
            found[field.column.lower()] = (table, field)
    return found
