"""A fixed sample of the campaign of tests/benchmarks/fuzz_text.py, and any text.

Property: nothing but a clear refusal comes out of a damaged text.
"""

import contextlib
import json
import subprocess
import sys
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import ReampsError
from pipeline.files.manifest import read_plan
from pipeline.files.store import read_record
from pipeline.files.trims import read_trims
from pipeline.models.manifest import Capture, Manifest
from tests.run.nights import ROOT

LEAVES = st.none() | st.booleans() | st.integers() | st.floats() | st.text()
TREES = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=12,
)
CAMPAIGN = "tests.benchmarks.fuzz_text"
KEYS = st.sampled_from(sorted({*Manifest.model_fields, *Capture.model_fields}))
KNOWN = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=5)
    ),
    max_leaves=20,
)


def test_120_damaged_texts():
    done = subprocess.run(
        [sys.executable, "-m", CAMPAIGN, "--cases", "120", "--seed", "7"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert ", 0 bad" in done.stdout
    for kind in ("manifest (toml)", "sheet (csv)", "record (json)", "trims (json)"):
        assert f"{kind} " in done.stdout, kind


@settings(max_examples=60, deadline=None)
@given(st.text() | st.binary().map(lambda raw: raw.decode("latin-1")))
def test_any_text_is_read_or_refused(text):
    with tempfile.TemporaryDirectory() as name:
        for file, read in (
            ("session.toml", read_plan),
            ("trims.json", read_trims),
            ("record.json", lambda path: read_record(path.parent)),
        ):
            path = Path(name) / file
            path.write_bytes(text.encode("utf-8", "surrogatepass"))
            with contextlib.suppress(ReampsError):
                read(path)


@settings(max_examples=60, deadline=None)
@given(KNOWN | TREES)
def test_any_tree_is_read_or_refused(tree):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        text = json.dumps(tree)
        (folder / "trims.json").write_text(text, encoding="utf-8")
        with contextlib.suppress(ReampsError):
            read_trims(folder / "trims.json")
        whole = {"format": 1, **tree} if isinstance(tree, dict) else tree
        (folder / "record.json").write_text(json.dumps(whole), encoding="utf-8")
        with contextlib.suppress(ReampsError):
            read_record(folder)
