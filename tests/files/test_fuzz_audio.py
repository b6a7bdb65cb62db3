"""A fixed sample of the campaign of tests/benchmarks/fuzz_audio.py.

Property: nothing but a clear refusal comes out of a damaged file.
"""

import re
import subprocess
import sys
from pathlib import Path


def test_300_damaged_files():
    module = "tests.benchmarks.fuzz_audio"
    done = subprocess.run(
        [sys.executable, "-m", module, "--cases", "300", "--seed", "7"],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "300 cases" in done.stdout
    assert ", 0 bad" in done.stdout
    for kind in (
        "WAV",
        "WAVEX",
        "WAV with bext",
        "RF64",
        "BW64",
        "AIFF",
        "FLAC",
        "CAF",
    ):
        assert re.search(rf"[, ]{kind} \d", done.stdout), kind
