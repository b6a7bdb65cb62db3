"""What a session will do: the manifest with every name resolved.

Paths are absolute, inheritance is flattened, every capture has an id and a pass.
Nothing is opened here.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from pydantic import JsonValue

from pipeline.models.base import Recall
from pipeline.models.manifest import Cabinet, Capture, Manifest, Mic, Open, Setup
from pipeline.models.mistakes import nearest
from pipeline.models.record import Finding, Place, Recalls

DI_NAME = "DI (dry)"
"""What the DI's own copy is called among the outputs; no capture or blend may be."""
_PLACE_KEYS = tuple(Place.model_fields)
_NEAR = 0.8
"""Keys that are so alike differ by a letter or two."""


@dataclass(frozen=True, slots=True)
class CapturePlan:
    """One capture to be processed.

    Parameters
    ----------
    id : str
        Unique name.
    path : Path
        Absolute path of the source.
    pass_id : str
        Name of its pass.
    written : Capture
        The manifest's own entry.
    """

    id: str
    path: Path
    pass_id: str
    written: Capture

    @property
    def rig(self) -> str:
        """Captures that share a rig share the amplifier's settings."""
        return self.written.setup or f"pass {self.pass_id}"

    @property
    def place(self) -> Place:
        """Where the microphone stood."""
        return Place(**{key: getattr(self.written, key) for key in _PLACE_KEYS})


@dataclass(frozen=True, slots=True)
class Plan:
    """A whole session to be processed.

    Parameters
    ----------
    manifest_path : Path
        Absolute path of the manifest.
    manifest : Manifest
        As written.
    di_path : Path
        Absolute path of the DI.
    captures : tuple of CapturePlan
        In the manifest's order.
    recalls : Recalls
        Set-ups, cabinets and mics with inheritance flattened.
    """

    manifest_path: Path
    manifest: Manifest
    di_path: Path
    captures: tuple[CapturePlan, ...]
    recalls: Recalls

    @property
    def name(self) -> str:
        """Name of the session."""
        return self.manifest.session.name

    @property
    def near_misses(self) -> tuple[Finding, ...]:
        """Free keys that are spelt nearly like a key with a meaning.

        They pass through like every free key, and mean nothing.
        """
        tables: dict[str, Open] = {"session": self.manifest.session}
        for kind in ("setup", "cabinet", "mic"):
            for name, table in getattr(self.manifest, kind).items():
                tables[f"{kind}.{name}"] = table
        return tuple(
            Finding(
                code="near_miss",
                severity="warn",
                message=f"[{where}] {key} is a key of your own and means nothing.",
                fix=f"Did you mean {known!r}?",
            )
            for where, table in tables.items()
            for key in table.recall
            if (known := nearest(key, _unwritten(table), cutoff=_NEAR)) is not None
        )

    @property
    def takes_path(self) -> Path | None:
        """Absolute path of the take sheet."""
        written = self.manifest.takes
        return None if written is None else self.manifest_path.parent / written

    @property
    def playout_path(self) -> Path | None:
        """Absolute path of the play-out file that the manifest names."""
        written = self.manifest.di.playout
        return None if written is None else self.manifest_path.parent / written


def _unwritten(table: Open) -> list[str]:
    """Keys with a meaning that a table could have."""
    return sorted(type(table).model_fields.keys() - table.model_fields_set)


def capture_ids(entries: list[tuple[str, str, int, bool]]) -> list[str]:
    """Give every capture its id.

    Parameters
    ----------
    entries : list of (id or "", file, channel, channel was written)
        One per capture.

    Returns
    -------
    list of str
        The written id, or the file's stem, with the channel where it was written.
        Not necessarily unique: that is checked where mistakes are collected.
    """
    ids = []
    for written, file, channel, explicit in entries:
        stem = _as_path(file).stem
        ids.append(written or (f"{stem}-ch{channel}" if explicit else stem))
    return ids


def _as_path(file: str) -> PurePosixPath:
    return PurePosixPath(file.replace("\\", "/"))


def _default_passes(captures: tuple[Capture, ...], ids: list[str]) -> list[str]:
    """Channels of one file were recorded together; other files stand alone."""
    uses = Counter(capture.file for capture in captures)
    # What a file's pass would be called, if nothing else were called so.
    alone = {
        (_as_path(capture.file).stem if uses[capture.file] > 1 else id_, capture.file)
        for capture, id_ in zip(captures, ids, strict=True)
    }
    called = Counter(name for name, _ in alone)

    def default(file: str, id_: str) -> str:
        path = _as_path(file)
        if uses[file] == 1:
            return id_
        return path.stem if called[path.stem] == 1 else str(path.with_suffix(""))

    return [
        capture.pass_id or default(capture.file, id_)
        for capture, id_ in zip(captures, ids, strict=True)
    ]


def chain_of(name: str, likes: Mapping[str, str | None]) -> list[str]:
    """Follow `like` from a name to its root.

    Parameters
    ----------
    name : str
        Where to start.
    likes : mapping of str to str or None
        What each table is like.

    Returns
    -------
    list of str
        From the name itself to the root, every name once; a circle ends where it
        closes.
    """
    chain: list[str] = []
    current: str | None = name
    while current is not None and current in likes and current not in chain:
        chain.append(current)
        current = likes[current]
    return chain


def _flatten(tables: Mapping[str, Setup] | Mapping[str, Mic]) -> dict[str, Recall]:
    likes = {name: table.like for name, table in tables.items()}
    flat: dict[str, Recall] = {}
    for name in tables:
        keys: Recall = {}
        for ancestor in reversed(chain_of(name, likes)):
            keys |= _written(tables[ancestor])
        keys.pop("like", None)
        flat[name] = keys
    return flat


def _written(table: Setup | Mic | Cabinet) -> dict[str, JsonValue]:
    return table.model_dump(mode="json", exclude_unset=True)


def resolve(manifest: Manifest, manifest_path: Path) -> Plan:
    """Resolve names and paths of a manifest whose references are known to be good.

    Parameters
    ----------
    manifest : Manifest
        As written, without mistakes.
    manifest_path : Path
        Where it lies.

    Returns
    -------
    Plan
        What a session will do.
    """
    folder = manifest_path.parent
    ids = capture_ids(
        [
            (c.id or "", c.file, c.channel, "channel" in c.model_fields_set)
            for c in manifest.capture
        ]
    )
    passes = _default_passes(manifest.capture, ids)
    captures = tuple(
        CapturePlan(id_, folder / c.file, pass_id, c)
        for id_, c, pass_id in zip(ids, manifest.capture, passes, strict=True)
    )
    recalls = Recalls(
        setup=_flatten(manifest.setup),
        cabinet={name: _written(table) for name, table in manifest.cabinet.items()},
        mic=_flatten(manifest.mic),
    )
    return Plan(manifest_path, manifest, folder / manifest.di.file, captures, recalls)
