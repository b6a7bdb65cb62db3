"""Authority: the help texts as written; what a person sees must hold all of them."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from pipeline.cli import app


def commands(group: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for name, command in group.commands.items():
        yield (*path, name)
        if hasattr(command, "commands"):
            yield from commands(command, (*path, name))


ROOT: Any = typer.main.get_command(app)


def found(path: tuple[str, ...]) -> Any:
    command = ROOT
    for name in path:
        command = command.commands[name]
    return command


def folded(text: str) -> str:
    """Letters, digits and signs alone: frames, line ends and backticks may go."""
    return re.sub(r"[\s\u2500-\u257f`]+", "", text)


@pytest.mark.parametrize("path", list(commands(ROOT)), ids=" ".join)
def test_no_word_of_the_help_is_swallowed(
    path: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Markup would take brackets for tags and underscores for emphasis."""
    # Wide, so that no option's help is cut and no column stands inside of another.
    monkeypatch.setenv("COLUMNS", "400")
    monkeypatch.setenv("TERMINAL_WIDTH", "400")
    done = CliRunner().invoke(app, [*path, "--help"])
    assert done.exit_code == 0
    seen = folded(done.output)
    for param in found(path).params:
        assert folded(getattr(param, "help", None) or "") in seen
    for paragraph in (found(path).help or "").split("\n\n"):
        assert folded(paragraph) in seen
