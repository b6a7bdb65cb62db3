"""Templates of a package, compiled once and not in every run.

The only owner of jinja2. What it compiles is kept where Python keeps what it compiles
itself: in `__pycache__` beside the source, or under `sys.pycache_prefix`. Where that
place cannot be written, and where Python was told to write no bytecode, nothing is
kept; nothing is told, and the pages are the same.
"""

import sys
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from importlib.resources import files
from importlib.util import cache_from_source
from pathlib import Path

from jinja2 import (
    Environment,
    FileSystemBytecodeCache,
    PackageLoader,
    StrictUndefined,
    Template,
)
from jinja2.bccache import Bucket

FOLDER = "templates"
_NAMES = "template-1-%s.cache"
"""The number rises with the options of the environment: they are compiled in."""


class _BesideTemplates(FileSystemBytecodeCache):
    """Compiled templates of one package.

    Parameters
    ----------
    folder : Path
        Where they are kept; it need not exist.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__(str(folder), _NAMES)

    def load_bytecode(self, bucket: Bucket) -> None:
        """Read what was kept; whatever is damaged or out of reach was not kept."""
        with suppress(Exception):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep a compiled template, whole or not at all, where that is possible."""
        if sys.dont_write_bytecode:
            return
        with suppress(OSError):
            Path(self.directory).mkdir(parents=True, exist_ok=True)
            super().dump_bytecode(bucket)


@lru_cache(maxsize=8)
def open_template(package: str, name: str, **filters: Callable[[str], str]) -> Template:
    """Open a template of a package.

    Parameters
    ----------
    package : str
        Full name; its templates lie in its folder `templates`.
    name : str
        Of the template's file.
    **filters : callable
        What the template may put text through, by name.

    Returns
    -------
    Template
        Everything is escaped unless it is `Markup`; what is not defined raises.
    """
    source = Path(str(files(package))) / FOLDER / name
    environment = Environment(
        loader=PackageLoader(package, FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        bytecode_cache=_BesideTemplates(Path(cache_from_source(str(source))).parent),
    )
    environment.filters.update(filters)
    return environment.get_template(name)
