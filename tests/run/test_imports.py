"""What a worker imports is paid by every worker, what help imports by every call."""

import subprocess
import sys

import pytest

PAGE = ("jinja2", "pipeline.report.page")
SHELL = ("typer", "tomlkit", "watchfiles", "sqlite3")
HEAVY = (
    "matplotlib",
    "pyloudnorm",
    "scipy.cluster",
    "scipy.signal",
    "scipy.stats",
    "distributed",
)


@pytest.mark.parametrize(
    ("module", "unwanted"),
    [
        ("pipeline.run.tasks", (*PAGE, *SHELL, *HEAVY)),
        (
            "pipeline.run.service",
            (*PAGE, "matplotlib", "pyloudnorm", "scipy.cluster", "pipeline.demo"),
        ),
        ("pipeline.cli", (*PAGE, *HEAVY, "numpy", "scipy", "pydantic", "soundfile")),
    ],
)
def test_nothing_is_imported_before_it_is_needed(module, unwanted):
    script = f"import sys, {module}; print(*sys.modules)"
    command = (sys.executable, "-c", script)
    found = subprocess.run(command, capture_output=True, text=True, check=True)
    assert set(found.stdout.split()) & set(unwanted) == set()
