"""A run's folder: the record, the table, and what else lies in it.

Formats are numbered; a record of another number is refused, never guessed.

record.json: 1, the first.
"""

import csv
import io
import json
from pathlib import Path

from pydantic import ValidationError

from pipeline.errors import OutputError, RecordError
from pipeline.files.atomic import replace_with
from pipeline.files.audio import sha256_of
from pipeline.files.cells import guarded
from pipeline.files.names import inside
from pipeline.models.metrics import METRIC_KEYS
from pipeline.models.record import FORMAT, Capture, Output, Record

RECORD_NAME = "record.json"
METRICS_NAME = "metrics.csv"
PAGE_NAME = "index.html"
AUDIO_FOLDER = "audio"
BLENDS_FOLDER = "blends"
DRY_FOLDER = "dry"

_CAPTURE_COLUMNS = ("id", "file", "channel", "pass", "setup", "mic", "status")
_LATENCY_COLUMNS = ("latency_samples", "latency_ms", "polarity", "confidence")
_LOUDNESS_COLUMNS = ("source_lufs", "gain_db", "lufs", "true_peak_dbtp")
FLOOR_UNKNOWN = "unknown: no set-up was recorded again as a control"


def record_text(record: Record) -> str:
    """Write a record as JSON text.

    Parameters
    ----------
    record : Record
        The session.

    Returns
    -------
    str
        Keys in the model's order, so that equal records give equal text.
    """
    dumped = record.model_dump(mode="json", by_alias=True)
    return json.dumps(dumped, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def write_record(folder: Path, record: Record) -> None:
    """Write record.json and metrics.csv, each whole or not at all.

    Parameters
    ----------
    folder : Path
        The run's folder, which exists.
    record : Record
        The session.
    """
    table = metrics_table(record)
    replace_with(folder / METRICS_NAME, table.encode("utf-8"))
    replace_with(folder / RECORD_NAME, record_text(record).encode("utf-8"))


def read_record(folder: Path) -> Record:
    """Read the record of a run's folder.

    Parameters
    ----------
    folder : Path
        The run's folder.

    Returns
    -------
    Record
        The session.

    Raises
    ------
    RecordError
        If there is none, it is damaged, or its format has another number.
    """
    path = folder / RECORD_NAME
    try:
        raw = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, NotADirectoryError) as error:
        message = f"{path}: no record here; give the folder that `reamps run` wrote"
        raise RecordError(message) from error
    except (OSError, ValueError, RecursionError) as error:
        message = f"{path}: the record cannot be read ({error}); run the session again"
        raise RecordError(message) from error
    number = raw.get("format") if isinstance(raw, dict) else None
    if number != FORMAT:
        message = (
            f"{path}: expected a record of format {FORMAT}, found {number!r}; use the "
            "version of reamps that wrote it, or run the session again"
        )
        raise RecordError(message)
    try:
        return Record.model_validate_json(json.dumps(raw))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        message = (
            f"{path}: the record is damaged at {place} ({first['msg']}); run the "
            "session again"
        )
        raise RecordError(message) from error


def run_output(folder: Path, output: Output) -> Path:
    """Find a file that a run wrote, and check that it is still that.

    Parameters
    ----------
    folder : Path
        The run's folder.
    output : Output
        From its record, which anybody may have written.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    OutputError
        If it lies outside of the folder or is not what the run wrote. An `AudioError`
        says why it cannot be read.
    """
    inside(folder, Path(output.file))
    path = folder / output.file
    if sha256_of(path) != output.sha256:
        message = (
            f"{path}: is not what the run wrote (its checksum differs); run the "
            "session again"
        )
        raise OutputError(message)
    return path


def metrics_table(record: Record) -> str:
    """Lay the captures' figures out as CSV, one row a capture.

    Parameters
    ----------
    record : Record
        The session.

    Returns
    -------
    str
        Comma-separated, points as decimal marks, empty cells for absent values. The
        last column names what a capture cannot be told apart from tonight, or says
        that nobody knows since no set-up was recorded twice. Text
        that a spreadsheet would take for a formula is quoted with an apostrophe.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(
        [
            *_CAPTURE_COLUMNS,
            *_LATENCY_COLUMNS,
            "shift_samples",
            *_LOUDNESS_COLUMNS,
            *METRIC_KEYS,
            "findings",
            "not_distinguishable_from",
        ]
    )
    twins = _twins(record)
    unknown = "" if record.repeatability else FLOOR_UNKNOWN
    for capture in record.captures:
        row = [*_row(capture), twins.get(capture.id, unknown)]
        writer.writerow([_cell(value) for value in row])
    return buffer.getvalue()


def _twins(record: Record) -> dict[str, str]:
    # Ids of the captures that differ from one by less than the night's floor.
    return {
        id_: "; ".join(other for other in group if other != id_)
        for group in record.comparison.groups
        for id_ in group
    }


def _row(capture: Capture) -> list[object]:
    latency, loudness = capture.latency, capture.loudness
    about = (
        capture.id,
        capture.file,
        capture.channel,
        capture.pass_id,
        capture.setup,
        capture.mic,
        capture.status,
    )
    lag = (
        (latency.samples, latency.ms, latency.polarity, latency.confidence)
        if latency
        else (None,) * len(_LATENCY_COLUMNS)
    )
    level = tuple(
        getattr(loudness, column) if loudness else None for column in _LOUDNESS_COLUMNS
    )
    metrics = (capture.metrics.get(key) for key in METRIC_KEYS)
    codes = " ".join(finding.code for finding in capture.findings)
    return [*about, *lag, capture.shift_samples, *level, *metrics, codes]


def _cell(value: object) -> object:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    return guarded(value) if isinstance(value, str) else value
