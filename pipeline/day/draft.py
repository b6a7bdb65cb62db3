"""Which manifest would fit this folder? Proposes one, and only ever adds to it.

What a user wrote stays, byte for byte: new captures are appended as text. A file
that the manifest mentions anywhere, even in a comment, is not proposed again.
"""

import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import JsonValue

from pipeline.day.grouping import Group, Taken, group_files, telling_times
from pipeline.day.looks import FileLook, Look, LookTask, audio_files, look_at
from pipeline.day.mentions import mentioned, parse
from pipeline.day.naming import Named, compile_pattern, read_name
from pipeline.day.proposal import Entry, add_to, opening, relative
from pipeline.errors import ManifestError, ReampsError
from pipeline.files.atomic import replace_with
from pipeline.files.manifest import MANIFEST_KIND, read_written
from pipeline.files.playout import sidecar_of
from pipeline.files.replacing import refuse_foreign
from pipeline.models.record import Finding
from pipeline.run.executor import open_workers
from pipeline.stages.di import DiSpec, inspect_di

DEFAULT_NAME = "session.toml"
_DI_WORD = re.compile(r"(?<![a-z0-9])(di|dry|direct)(?![a-z])", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Wish:
    """What the user asks for.

    Parameters
    ----------
    folder : Path
        Where the audio files are.
    di : Path or None
        The DI; None: the one that the manifest names, or the only file whose name
        says so.
    others : tuple of Path
        Other DIs of the night: their captures are told apart.
    manifest : Path or None
        Where to write; None: `session.toml` in the folder.
    pattern : str or None
        How names are built, see `naming.compile_pattern`.
    jobs : int
        Number of processes.
    """

    folder: Path
    di: Path | None = None
    others: tuple[Path, ...] = ()
    manifest: Path | None = None
    pattern: str | None = None
    jobs: int = 1


@dataclass(frozen=True, slots=True)
class Draft:
    """What became of it.

    Parameters
    ----------
    manifest : Path
        The manifest that was written.
    added : tuple of str
        Ids of the captures that were added.
    passes : int
        Number of passes among them.
    left_out : tuple of str
        One line a file or channel that is none, with the reason.
    di : Path
        The DI that all were held to.
    """

    manifest: Path
    added: tuple[str, ...]
    passes: int
    left_out: tuple[str, ...]
    di: Path

    @property
    def summary(self) -> str:
        """What was added, in a sentence."""
        if not self.added:
            return "No new captures; nothing was changed."
        captures = "capture" if len(self.added) == 1 else "captures"
        passes = "pass" if self.passes == 1 else "passes"
        verb = "was" if len(self.added) == 1 else "were"
        return f"{len(self.added)} {captures} in {self.passes} {passes} {verb} added."


def draft(wish: Wish, step: Callable[[int, int], None]) -> Draft:
    """Propose a manifest, or add to one.

    Parameters
    ----------
    wish : Wish
        What is asked for.
    step : callable
        Told how many files of how many were looked at.

    Returns
    -------
    Draft
        What was written.

    Raises
    ------
    ReampsError
        If there is no DI or no capture, or the manifest there cannot be kept or is
        none.
    """
    _need_folder(wish.folder)
    pattern = compile_pattern(wish.pattern) if wish.pattern else None
    manifest = wish.manifest or wish.folder / DEFAULT_NAME
    before = _before(manifest)
    refuse_foreign(manifest, MANIFEST_KIND)
    tables = read_written(manifest).tables if before else {}
    di = _di(wish, manifest, before)
    spec = inspect_di(di, 1)
    files, played = _unknown(wish, di, manifest, (before, tables))
    looks = _look_all(spec, files, wish.jobs, step)
    strangers = _copies(looks, manifest.parent, pattern)
    strangers |= _others(looks, wish, manifest.parent)
    looks = [look for look in looks if look.path not in strangers]
    captured = _in_time([look for look in looks if _captures(look)], spec)
    left_out = [*played.values(), *strangers.values()]
    left_out += [line for look in looks for line in _reasons(look, manifest.parent)]
    if not captured and not before:
        lines = "".join(f"\n  {line}" for line in left_out)
        message = (
            f"{wish.folder}: no capture of {di.name} is among its {len(files)} audio "
            f"files; nothing was written{lines}"
        )
        raise ReampsError(message)
    named = {look.path: read_name(look.path.stem, pattern) for look in captured}
    groups = _groups(captured, named, spec)
    entries = _entries(captured, groups, (named, manifest, tables))
    loopback = next(
        (look.path for look in looks if look.looks[0].kind == "loopback"), None
    )
    start = before or opening(manifest, di, loopback, manifest.resolve().parent.name)
    text = add_to(start, entries, left_out)
    if text != before:
        replace_with(manifest, text.encode("utf-8"))
    return Draft(
        manifest,
        tuple(str(entry.keys["id"]) for entry in entries),
        len(groups),
        tuple(left_out),
        di,
    )


def _need_folder(folder: Path) -> None:
    if not folder.is_dir():
        what = "is a file" if folder.is_file() else "is not there"
        message = f"{folder}: {what}; name the folder with the audio files"
        raise ReampsError(message)


def _before(manifest: Path) -> str:
    if not manifest.exists():
        return ""
    try:
        text = manifest.read_bytes().decode("utf-8")
        parse(text)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        message = (
            f"{manifest}: is there already, but cannot be kept: {error}. Mend it, or "
            "name another file with --output."
        )
        raise ManifestError(message) from error
    return text


def _unknown(
    wish: Wish,
    di: Path,
    manifest: Path,
    known: tuple[str, Mapping[str, JsonValue]],
) -> tuple[list[Path], dict[Path, str]]:
    """List the files that the manifest does not mention, and what was only played."""
    before, tables = known
    skipped = {path.resolve() for path in (di, *wish.others)}
    files = {
        relative(path, manifest.parent): path
        for path in audio_files(wish.folder)
        if path.resolve() not in skipped
    }
    mentions = mentioned(before, files, tables)
    new = {label: path for label, path in files.items() if label not in mentions}
    played = {
        path: f"{label}: a play-out file, and no capture"
        for label, path in new.items()
        if sidecar_of(path).is_file()
    }
    return [path for path in new.values() if path not in played], played


def _di(wish: Wish, manifest: Path, before: str) -> Path:
    dry = parse(before).get("di")
    written = dry.get("file") if isinstance(dry, dict) else None
    known = manifest.parent / written if written else None
    if wish.di and known and wish.di.resolve() != known.resolve():
        message = (
            f"{manifest}: is about the DI {written!r}, not {wish.di.name}. One "
            "manifest holds one DI: name another file with --output."
        )
        raise ManifestError(message)
    found = wish.di or known
    if found:
        return found
    candidates = [p for p in audio_files(wish.folder) if _DI_WORD.search(p.stem)]
    if len(candidates) == 1:
        return candidates[0]
    listed = ", ".join(path.name for path in candidates) or "none"
    message = (
        f"{wish.folder}: which file is the DI? Say so with --di FILE (files whose name "
        f"says so: {listed})"
    )
    raise ReampsError(message)


def _look_all(
    spec: DiSpec, files: Sequence[Path], jobs: int, step: Callable[[int, int], None]
) -> list[FileLook]:
    looks: dict[int, FileLook] = {}

    def done(index: int, look: FileLook) -> None:
        looks[index] = look
        step(len(looks), len(files))

    with open_workers(min(jobs, max(len(files), 1))) as workers:
        workers.map(look_at, [LookTask(spec, path) for path in files], done)
    return [looks[index] for index in range(len(files))]


def _copies(
    looks: Iterable[FileLook], folder: Path, pattern: re.Pattern[str] | None
) -> dict[Path, str]:
    """Find files with the bytes of another; the original's name is read, or short."""

    def strange(look: FileLook) -> tuple[bool, int]:
        unread = pattern is not None and pattern.fullmatch(look.path.stem) is None
        return unread, len(look.path.name)

    first: dict[str, str] = {}
    copies = {}
    for look in sorted(looks, key=strange):
        label = relative(look.path, folder)
        if look.sha256 and look.sha256 in first:
            copies[look.path] = f"{label}: the very same file as {first[look.sha256]}"
        elif look.sha256:
            first[look.sha256] = label
    return copies


def _others(looks: Sequence[FileLook], wish: Wish, folder: Path) -> dict[Path, str]:
    """Find the captures of the other DIs of the night."""
    found: dict[Path, str] = {}
    for di in wish.others:
        spec = inspect_di(di, 1)
        for look in looks:
            unknown = not _captures(look) and look.path not in found
            if not unknown or all(one.kind != "other" for one in look.looks):
                continue
            if _captures(look_at(LookTask(spec, look.path))):
                label = relative(look.path, folder)
                found[look.path] = f"{label}: a capture of another DI, {di.name}"
    return found


def _captures(look: FileLook) -> list[Look]:
    return [channel for channel in look.looks if channel.kind == "capture"]


def _reasons(look: FileLook, folder: Path) -> list[str]:
    """Say why channels of a file are no captures."""
    lines = []
    for channel in look.looks:
        if channel.kind == "capture":
            continue
        label = relative(look.path, folder)
        if len(look.looks) > 1:
            label += f", channel {channel.channel}"
        said = {
            "di": "the DI itself",
            "loopback": "the DI through a cable (a loopback), not through an amplifier",
        }.get(channel.kind) or _worst(channel.findings).message
        lines.append(f"{label}: {said}")
    return lines


def _worst(findings: Sequence[Finding]) -> Finding:
    """Pick what a channel is left out for; another rate, say, is only a note."""
    rejected = (finding for finding in findings if finding.severity == "reject")
    return next(rejected, findings[0])


def _in_time(captured: Sequence[FileLook], spec: DiSpec) -> list[FileLook]:
    """Put files in the order of the night, where their times tell it."""
    times = _times(captured)
    if not any(telling_times(times, spec.frames / spec.sample_rate_hz)):
        return list(captured)
    order = sorted(range(len(captured)), key=lambda index: times[index])
    return [captured[index] for index in order]


def _times(captured: Sequence[FileLook]) -> list[float]:
    """When files were recorded; when they were written, if one does not say."""
    recorded = [look.recorded_s for look in captured]
    known = [time for time in recorded if time is not None]
    if len(known) == len(recorded):
        return known
    return [look.info.modified_ns / 1e9 if look.info else 0.0 for look in captured]


def _groups(
    captured: Sequence[FileLook], named: Mapping[Path, Named], spec: DiSpec
) -> list[Group]:
    taken = []
    for look, time in zip(captured, _times(captured), strict=True):
        first = _captures(look)[0]
        if look.info is None or first.latency is None:
            message = f"{look.path}: a capture without a length or a lag"
            raise ValueError(message)
        given = named[look.path].fields.get("pass")
        taken.append(
            Taken(
                seconds=look.info.frames / look.info.sample_rate_hz,
                sample_rate_hz=look.info.sample_rate_hz,
                arrival_s=first.latency.ms / 1000.0,
                hiss=first.hiss,
                named=named[look.path],
                given_pass=str(given) if given else None,
                time_s=time,
            )
        )
    return group_files(taken, spec.frames / spec.sample_rate_hz)


def _entries(
    captured: Sequence[FileLook],
    groups: Sequence[Group],
    known: tuple[Mapping[Path, Named], Path, Mapping[str, JsonValue]],
) -> list[Entry]:
    named, manifest, tables = known
    listed = tables.get("capture", [])
    entered = listed if isinstance(listed, list) else []
    old = [entry for entry in entered if isinstance(entry, dict)]
    ids = {str(c.get("id") or Path(str(c.get("file", ""))).stem) for c in old}
    passes = {str(c["pass"]) for c in old if "pass" in c}
    entries = []
    for group in groups:
        members = [captured[index] for index in group.members]
        name = _pass_name(members, named, passes)
        for look in members:
            found = _captures(look)
            for channel in found:
                alone = len(look.looks) == 1
                stem = look.path.stem + ("" if alone else f"-ch{channel.channel}")
                given = named[look.path].fields
                keys: dict[str, str | int | float] = {
                    **given,
                    "id": _free(str(given.get("id", stem)), ids),
                    "file": relative(look.path, manifest.parent),
                    "pass": name,
                }
                if not alone:
                    keys["channel"] = channel.channel
                    if len(found) > 1:
                        # One name cannot tell which channel heard which microphone.
                        keys.pop("mic", None)
                why = group.why or ("channels of one file" if len(found) > 1 else "")
                entries.append(Entry(keys, named[look.path].mic_type, why))
    return entries


def _pass_name(
    members: Sequence[FileLook], named: Mapping[Path, Named], taken: set[str]
) -> str:
    """Name a pass: as the pattern read it, by its take number, or by counting."""
    first = named[members[0].path]
    given = first.fields.get("pass")
    if given:
        taken.add(str(given))
        return str(given)
    if first.take and first.take.isdigit():
        wanted = f"p{int(first.take):02d}"
        if wanted not in taken:
            taken.add(wanted)
            return wanted
    number = 1
    while f"p{number:02d}" in taken:
        number += 1
    taken.add(f"p{number:02d}")
    return f"p{number:02d}"


def _free(wanted: str, taken: set[str]) -> str:
    name, number = wanted, 2
    while name in taken:
        name, number = f"{wanted} ({number})", number + 1
    taken.add(name)
    return name
