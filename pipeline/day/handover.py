"""What does the person at the workstation get? Copies, a nudge list, checksums.

The aligned files of a run carry the DI's time reference, so "move to original time"
puts them where the DI lies. Whoever keeps their own files moves them by the nudge
list. Originals are read for nothing and renamed never; nothing is overwritten.
"""

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from pydantic import JsonValue

from pipeline.errors import OutputError, ReampsError
from pipeline.files.atomic import make_folder, replace_with, write_aside
from pipeline.files.audio import sha256_of
from pipeline.files.names import unique_names
from pipeline.files.store import read_record
from pipeline.models.record import Capture, Record

DEFAULT_TEMPLATE = "{session} - {id}"
NUDGES_NAME = "nudges.csv"
CHECKSUMS_NAME = "checksums-sha256.txt"
BLOCK_BYTES = 1_048_576
_FIELD = re.compile(r"\{(\w+)\}")
_PLACE_FIELDS = ("speaker", "position", "distance_mm", "offset_mm", "angle_deg")
_ABSENT = "\x00"
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class Copy:
    """One file to be handed over.

    Parameters
    ----------
    id : str
        Of the capture.
    source, target : Path
        The run's file and its copy.
    sha256 : str
        Of both.
    there : bool
        Whether the copy is there already, byte for byte.
    """

    id: str
    source: Path
    target: Path
    sha256: str
    there: bool


def plan_handover(folder: Path, target: Path, template: str) -> tuple[Copy, ...]:
    """Decide what would be copied, without copying.

    Parameters
    ----------
    folder : Path
        A run's folder.
    target : Path
        Where copies go.
    template : str
        Their names: text with fields in braces: {session}, {date}, any other key of
        the session, {id}, {pass}, {setup}, {mic}, {speaker}, {position},
        {distance_mm}, {offset_mm}, {angle_deg}, {treatment}.

    Returns
    -------
    tuple of Copy
        One a capture that has an output; names are safe and no two alike.

    Raises
    ------
    ReampsError
        If there is nothing to hand over, or a field is unknown.
    OutputError
        If the target is the run's own folder, another file is in the way, or an
        output is not what the run wrote.
    """
    record = read_record(folder)
    if _inside(target, folder):
        message = f"{target}: lies inside the run's folder; name another one"
        raise OutputError(message)
    captures = [capture for capture in record.captures if capture.output]
    if not captures:
        message = f"{folder}: no capture of this run has an output to hand over"
        raise ReampsError(message)
    labels = {c.id: fill(template, c, record.session) for c in captures}
    wanted = _apart(labels)
    names = unique_names(wanted.values())
    return tuple(
        _copy(folder, target / f"{names[wanted[c.id]]}.wav", c) for c in captures
    )


def _inside(target: Path, folder: Path) -> bool:
    return target.resolve().is_relative_to(folder.resolve())


def _apart(labels: Mapping[str, str]) -> dict[str, str]:
    """Add the id to names that a template gave twice."""
    values = list(labels.values())
    return {
        id_: f"{label} - {id_}" if values.count(label) > 1 else label
        for id_, label in labels.items()
    }


def fill(template: str, capture: Capture, session: Mapping[str, JsonValue]) -> str:
    """Fill a template with what a capture says.

    Parameters
    ----------
    template : str
        Text with fields in braces.
    capture : Capture
        The capture.
    session : mapping of str to JSON value
        The session's keys; `private` is no field.

    Returns
    -------
    str
        A text that is not yet safe as a name; absent values leave nothing, and the
        separators around them close up.

    Raises
    ------
    ReampsError
        If a field is neither a capture's nor in the session.
    """
    place = capture.place
    values: dict[str, object] = {
        "id": capture.id,
        "pass": capture.pass_id,
        "setup": capture.setup,
        "mic": capture.mic,
        "treatment": place.treatment,
        **{key: getattr(place, key) for key in _PLACE_FIELDS},
    }
    for key, value in session.items():
        if isinstance(value, str | int | float) and key != "private":
            values.setdefault("session" if key == "name" else key, value)
    values.setdefault("date", None)

    unknown = [name for name in _FIELD.findall(template) if name not in values]
    if unknown:
        known = ", ".join(sorted(values))
        message = f"the template has a field {unknown[0]!r}; known are: {known}"
        raise ReampsError(message)

    def text(match: re.Match[str]) -> str:
        value = values[match[1]]
        if value is None:
            return _ABSENT
        return f"{value:g}" if _is_number(value) else str(value)

    # A separator and a unit go with the value that they belonged to.
    filled = re.sub(rf"[ _-]*{_ABSENT}(?:mm|deg)?", "", _FIELD.sub(text, template))
    return filled.strip(" _-")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _copy(folder: Path, target: Path, capture: Capture) -> Copy:
    if capture.output is None:
        message = f"{capture.id} has no output"
        raise ValueError(message)
    source = folder / capture.output.file
    sha256 = sha256_of(source)
    if sha256 != capture.output.sha256:
        message = (
            f"{source}: is not what the run wrote (its checksum differs). Run the "
            "session again before handing over."
        )
        raise OutputError(message)
    there = target.exists()
    if there and sha256_of(target) != sha256:
        message = (
            f"{target}: another file is there; nothing was written. Choose an empty "
            "folder or another template."
        )
        raise OutputError(message)
    return Copy(capture.id, source, target, sha256, there)


def hand_over(folder: Path, target: Path, copies: Sequence[Copy]) -> None:
    """Copy, and write the nudge list and the checksums.

    Parameters
    ----------
    folder : Path
        A run's folder.
    target : Path
        Where everything goes.
    copies : sequence of Copy
        From `plan_handover`. An `OutputError` says why one could not be made.
    """
    make_folder(target)
    sums = {}
    for copy in copies:
        if not copy.there:
            _copy_bytes(copy)
        sums[copy.target.name] = copy.sha256
    nudges = nudge_list(read_record(folder)).encode("utf-8-sig")
    replace_with(target / NUDGES_NAME, nudges)
    sums[NUDGES_NAME] = sha256(nudges).hexdigest()
    lines = "".join(f"{sum_}  {name}\n" for name, sum_ in sums.items())
    replace_with(target / CHECKSUMS_NAME, lines.encode("utf-8"))


def _copy_bytes(copy: Copy) -> None:
    with copy.source.open("rb") as source, write_aside(copy.target) as written:
        while block := source.read(BLOCK_BYTES):
            written.write(block)
        if written.sha256 != copy.sha256:
            message = f"{copy.source}: changed while it was copied; run again"
            raise OutputError(message)


def nudge_list(record: Record) -> str:
    """List how far each original has to move.

    Parameters
    ----------
    record : Record
        A run's record.

    Returns
    -------
    str
        CSV, one row a capture with a lag. `move_samples` counts at the DI's rate,
        negative = earlier; put the file's start on the DI's start first. `invert`
        says whether its polarity is that of the DI turned over.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(
        ["id", "file", "channel", "move_samples", "move_ms", "invert", "rate_hz"]
    )
    rate = record.di.sample_rate_hz
    for capture in record.captures:
        if capture.latency is None or capture.shift_samples is None:
            continue
        move = -capture.shift_samples
        invert = {1: "no", -1: "yes"}.get(capture.latency.polarity or 0, "")
        writer.writerow(
            [
                _cell(capture.id),
                _cell(capture.file),
                capture.channel,
                f"{move:.3f}",
                f"{move / rate * 1000.0:.4f}",
                invert,
                rate,
            ]
        )
    return buffer.getvalue()


def _cell(text: str) -> str:
    """Keep a spreadsheet from taking a text for a formula."""
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text
