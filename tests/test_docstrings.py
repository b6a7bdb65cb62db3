"""A public docstring is a contract: parameters, returns, yields (numpydoc's checks)."""

import ast
from pathlib import Path

import pytest
from numpydoc.validate import validate

ROOT = Path(__file__).parent.parent
CODES = {"PR01", "PR02", "PR03", "PR04", "PR07", "RT01", "RT03", "YD01", "SS03"}
# Commands document their parameters in their options; properties return what they say.
WITHOUT = ("commands.py", "cli.py", "__main__.py")


def public_functions():
    for path in sorted((ROOT / "pipeline").rglob("*.py")):
        if path.name.endswith(WITHOUT):
            continue
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in tree.body:
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                yield f"{module}.{node.name}"


@pytest.mark.parametrize("name", list(public_functions()))
def test_the_docstring_is_whole(name):
    found = [error for error in validate(name)["errors"] if error[0] in CODES]
    assert found == []
