"""What a worker imports is paid by every worker, what help imports by every call."""

import subprocess
import sys

import pytest

from pipeline.run.begin import IMPORTS

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
            (*PAGE, *HEAVY, "scipy.fft", "scipy.linalg", "pipeline.demo"),
        ),
        ("pipeline.cli", (*PAGE, *HEAVY, "numpy", "scipy", "pydantic", "soundfile")),
    ],
)
def test_nothing_is_imported_before_it_is_needed(module, unwanted):
    assert imported_with(module) & set(unwanted) == set()


def test_workers_are_forked_when_all_that_a_usual_night_needs_of_scipy_is_there(
    session, tmp_path
):
    script = (
        "import sys\n"
        "from pathlib import Path\n"
        "from pipeline.run.service import Options, run_manifests\n"
        "manifest, folder = map(Path, sys.argv[1:])\n"
        "run_manifests([manifest], folder, Options(jobs=1, quiet=True))\n"
    )
    used = imported_by(script, session.manifest, tmp_path / "out")
    ahead = imported_with(", ".join(IMPORTS))
    assert {name for name in used - ahead if name.startswith("scipy")} == set()


def imported_with(modules):
    return imported_by(f"import {modules}\n")


def imported_by(script, *arguments):
    command = (sys.executable, "-c", f"{script}import sys\nprint(*sys.modules)")
    found = subprocess.run(
        (*command, *arguments), capture_output=True, text=True, check=True
    )
    return set(found.stdout.split())
