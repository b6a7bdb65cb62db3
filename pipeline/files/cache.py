"""Results of earlier runs, kept under keys made of everything they depend on.

One file a result, in a folder of its own; written aside and renamed, so a result is
there whole or not at all. Whatever cannot be read back is computed again.
"""

import hashlib
import json
from pathlib import Path
from typing import Generic, TypeVar

from pydantic import TypeAdapter, ValidationError

from pipeline.files.atomic import replace_with

Result = TypeVar("Result")


def key_of(*parts: object) -> str:
    """Make a key of everything that a result depends on.

    Parameters
    ----------
    *parts : object
        Text, numbers, None, and lists or mappings of them.

    Returns
    -------
    str
        64 hexadecimal digits; equal parts give equal keys on every machine.
    """
    text = json.dumps(parts, sort_keys=True, ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


class Cache(Generic[Result]):
    """Results of one kind.

    Parameters
    ----------
    folder : Path
        Where they lie; it exists.
    kind : str
        Name of the stage, part of the files' names.
    adapter : TypeAdapter
        Writes and reads a result as JSON.
    """

    def __init__(self, folder: Path, kind: str, adapter: TypeAdapter[Result]) -> None:
        self._folder = folder
        self._kind = kind
        self._adapter = adapter
        self._used: set[Path] = set()

    def _path(self, key: str) -> Path:
        return self._folder / f"{self._kind}-{key[:40]}.json"

    def get(self, key: str) -> Result | None:
        """Look a result up.

        Parameters
        ----------
        key : str
            From `key_of`.

        Returns
        -------
        object or None
            None when there is none, or it cannot be read back.
        """
        path = self._path(key)
        try:
            result = self._adapter.validate_json(path.read_bytes())
        except (OSError, ValidationError):
            return None
        self._used.add(path)
        return result

    def put(self, key: str, result: Result) -> None:
        """Keep a result.

        Parameters
        ----------
        key : str
            From `key_of`.
        result : object
            What the adapter can write.
        """
        path = self._path(key)
        replace_with(path, self._adapter.dump_json(result))
        self._used.add(path)

    @property
    def used(self) -> frozenset[Path]:
        """Files that were read or written."""
        return frozenset(self._used)
