"""Run every check of the project, one after the other: `python -m tests`.

Stops at the first that fails, with its exit status.
"""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
PYTHON = sys.executable
SCRIPTS = Path(PYTHON).parent


def script(name: str) -> str:
    """Path of a console script of this environment."""
    return str(SCRIPTS / (f"{name}.exe" if os.name == "nt" else name))


CHECKS = (
    (script("ruff"), "check", "."),
    (script("ruff"), "format", "--check", "."),
    (script("mypy"),),
    (script("lint-imports"),),
    (script("codespell"),),
    # A file to one worker: what its tests share is made once. In their order, as the
    # files with the fewest tests, which come last else, are the longest.
    (
        *(PYTHON, "-m", "pytest", "-q", "-n", "auto"),
        *("--dist", "loadfile", "--no-loadscope-reorder"),
    ),
)


def main() -> int:
    """Run the checks.

    Returns
    -------
    int
        Exit status of the first check that fails, else 0.
    """
    for check in CHECKS:
        sys.stderr.write(f"\n== {' '.join(Path(part).name for part in check[:4])}\n")
        sys.stderr.flush()
        done = subprocess.run(
            [*check, *sys.argv[1:]] if "pytest" in check else check,
            cwd=ROOT,
            check=False,
        )
        if done.returncode:
            return done.returncode
    return 0


if __name__ == "__main__":
    sys.exit(main())
