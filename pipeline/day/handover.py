"""What does the person at the workstation get? Copies, a nudge list, checksums.

The aligned files of a run carry the DI's time reference, so "move to original time"
puts them where the DI lies. Whoever keeps their own files moves them by the nudge
list. Originals are read for nothing and renamed never; nothing is overwritten.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from pipeline.day.nudges import nudge_list
from pipeline.day.template import capture_fields, fill
from pipeline.errors import OutputError, ReampsError
from pipeline.files.atomic import make_folder, replace_with, write_aside
from pipeline.files.audio import sha256_of
from pipeline.files.names import unique_names
from pipeline.files.store import read_record, run_output
from pipeline.files.wave_chunks import read_bext
from pipeline.models.record import Output, Record

NUDGES_NAME = "nudges.csv"
CHECKSUMS_NAME = "checksums-sha256.txt"
BLOCK_BYTES = 1_048_576
_SUM = re.compile(r"[0-9a-f]{64}  \S.*")


@dataclass(frozen=True, slots=True)
class Copy:
    """One file to be handed over.

    Parameters
    ----------
    id : str
        Of the capture or blend.
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


@dataclass(frozen=True, slots=True)
class _Piece:
    """Something with an output: a capture, or a blend, which has no place."""

    id: str
    output: Output
    values: Mapping[str, object]


def plan_handover(
    folder: Path, target: Path, template: str, ids: Sequence[str] = ()
) -> tuple[Copy, ...]:
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
    ids : sequence of str
        Captures and blends that are handed over; without any, every capture.

    Returns
    -------
    tuple of Copy
        One an output; names are safe and no two alike.

    Raises
    ------
    OutputError
        If the target is the run's own folder, another file is in the way, such as the
        nudge list of another night, or an output is not what the run wrote. A
        `ReampsError` says that there is nothing to hand over, or that an id or a field
        is unknown.
    """
    record = read_record(folder)
    if _inside(target, folder):
        message = f"{target}: lies inside the run's folder; name another one"
        raise OutputError(message)
    _keep_lists(record, target)
    pieces = _chosen(folder, record, ids)
    labels = {p.id: fill(template, p.values, record.session) for p in pieces}
    wanted = _apart(labels)
    names = unique_names(wanted.values())
    return tuple(
        _copy(folder, target / f"{names[wanted[piece.id]]}.wav", piece)
        for piece in pieces
    )


def _chosen(folder: Path, record: Record, ids: Sequence[str]) -> list[_Piece]:
    captures = [
        _Piece(c.id, c.output, capture_fields(c)) for c in record.captures if c.output
    ]
    blends = [
        _Piece(b.id, b.output, {"id": b.id, "pass": b.pass_id})
        for b in record.blends
        if b.output
    ]
    if not ids:
        if not captures:
            message = f"{folder}: no capture of this run has an output to hand over"
            raise ReampsError(message)
        return captures
    known = {piece.id: piece for piece in (*captures, *blends)}
    unknown = [id_ for id_ in ids if id_ not in known]
    if unknown:
        message = (
            f"{folder}: has no output of the name {', '.join(unknown)}; there are: "
            f"{', '.join(known) or 'none'}"
        )
        raise ReampsError(message)
    return [known[id_] for id_ in dict.fromkeys(ids)]


def _inside(target: Path, folder: Path) -> bool:
    return target.resolve().is_relative_to(folder.resolve())


def _apart(labels: Mapping[str, str]) -> dict[str, str]:
    """Add the id to names that a template gave twice."""
    values = list(labels.values())
    return {
        id_: f"{label} - {id_}" if values.count(label) > 1 else label
        for id_, label in labels.items()
    }


def _copy(folder: Path, target: Path, piece: _Piece) -> Copy:
    source, sha256 = run_output(folder, piece.output), piece.output.sha256
    there = target.exists()
    if there and sha256_of(target) != sha256:
        message = (
            f"{target}: another file is there; nothing was written. Choose an empty "
            "folder or another template."
        )
        raise OutputError(message)
    return Copy(piece.id, source, target, sha256, there)


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
    sums = _sums_before(target)
    for copy in copies:
        if not copy.there:
            _copy_bytes(copy)
        sums[copy.target.name] = copy.sha256
    nudges = nudge_list(read_record(folder)).encode("utf-8-sig")
    replace_with(target / NUDGES_NAME, nudges)
    sums[NUDGES_NAME] = sha256(nudges).hexdigest()
    lines = "".join(f"{sum_}  {name}\n" for name, sum_ in sums.items())
    replace_with(target / CHECKSUMS_NAME, lines.encode("utf-8"))


def _keep_lists(record: Record, target: Path) -> None:
    """Refuse where a list is there that would lose a line by being written again."""
    nudges, sums = target / NUDGES_NAME, target / CHECKSUMS_NAME
    new = nudge_list(record).splitlines()
    if not set(_lines(nudges)) <= set(new):
        message = (
            f"{nudges}: another list is there, such as another night's; nothing was "
            "written. Choose another folder, or move the list away."
        )
        raise OutputError(message)
    if not all(_SUM.fullmatch(line) for line in _lines(sums)):
        message = (
            f"{sums}: expected lines of 64 hexadecimal digits and a name, as `reamps "
            "handover` writes them, found others; nothing was written. Choose another "
            "folder, or move the file away."
        )
        raise OutputError(message)


def _lines(path: Path) -> list[str]:
    """Read a list that may not be there yet."""
    try:
        return path.read_bytes().decode("utf-8-sig").splitlines()
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError) as error:
        message = (
            f"{path}: is there already and cannot be read ({error}); nothing was "
            "written. Choose another folder, or move it away."
        )
        raise OutputError(message) from error


def _sums_before(target: Path) -> dict[str, str]:
    """Read the checksums of what was handed over before and is still there."""
    pairs = (line.split("  ", 1) for line in _lines(target / CHECKSUMS_NAME))
    return {name: sum_ for sum_, name in pairs if (target / name).is_file()}


def original_time(copies: Sequence[Copy]) -> int | None:
    """Read where "move to original time" would put the copies.

    Parameters
    ----------
    copies : sequence of Copy
        From `plan_handover`.

    Returns
    -------
    int or None
        Samples since midnight; None where the DI carried no time.
    """
    found = read_bext(copies[0].source) if copies else None
    return found.time_reference_samples or None if found else None


def _copy_bytes(copy: Copy) -> None:
    with copy.source.open("rb") as source, write_aside(copy.target) as written:
        while block := source.read(BLOCK_BYTES):
            written.write(block)
        if written.sha256 != copy.sha256:
            message = f"{copy.source}: changed while it was copied; run again"
            raise OutputError(message)
