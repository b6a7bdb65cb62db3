"""The example manifests are valid, and the one with every key has every key."""

import json
import tomllib
from pathlib import Path
from typing import get_args

import pytest
from pydantic import BaseModel

from pipeline.files.manifest import read_plan
from pipeline.models.manifest import Manifest

FOLDER = Path(__file__).parents[2] / "manifests"
FILES = sorted(FOLDER.glob("*.toml"))


def parsed(path):
    return tomllib.loads(path.read_text(encoding="utf-8"))


def test_there_are_examples():
    assert len(FILES) >= 5


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_an_example_is_valid(path):
    Manifest.model_validate_json(json.dumps(parsed(path)))
    plan = read_plan(path)
    assert plan.captures
    assert all(one.path.is_relative_to(FOLDER.resolve()) for one in plan.captures)


def test_the_full_example_holds_every_key():
    missing = list(absent(Manifest, parsed(FOLDER / "every-key.toml"), "manifest"))
    assert missing == []


def absent(model, tables, where):
    """Every field of a model, and of the models below it, that nobody wrote."""
    rows = tables if isinstance(tables, list) else [tables]
    for name, field in model.model_fields.items():
        key = field.alias or name
        written = [row[key] for row in rows if key in row]
        if not written:
            yield f"{where}.{key}"
            continue
        below = next(models_in(field.annotation), None)
        if below is not None:
            flat = [row for value in written for row in tables_in(value, field)]
            yield from absent(below, flat, f"{where}.{key}")


def models_in(annotation):
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from models_in(part)


def tables_in(value, field):
    if isinstance(value, list):
        return value
    named = str(field.annotation).startswith("dict")
    return list(value.values()) if named else [value]


def test_inheritance_carries_keys_over():
    # Truth by construction: "pushed-open" is "pushed" is "clean", on another cabinet.
    recall = read_plan(FOLDER / "inherited-setups.toml").recalls.setup["pushed-open"]
    assert recall["warm_up_min"] == 40
    assert recall["cabinet"] == "open"
    assert recall["pedals"] == [
        {"kind": "overdrive", "drive": 2, "tone": 5, "level": 8}
    ]


def test_mic_mode_and_stereo_files_are_shown():
    assert parsed(FOLDER / "mic-by-mic.toml")["align"]["mode"] == "mic"
    stereo = read_plan(FOLDER / "stereo-pairs.toml").captures
    assert {one.written.channel for one in stereo} == {1, 2}
    assert len({one.path for one in stereo}) == 2
