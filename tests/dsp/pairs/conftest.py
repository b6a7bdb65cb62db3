import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest


@pytest.fixture(scope="session")
def scenes() -> ModuleType:
    path = Path(__file__).with_name("scenes.py")
    spec = importlib.util.spec_from_file_location("pair_scenes", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["pair_scenes"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def analogue(scenes: ModuleType) -> list[np.ndarray]:
    return scenes.sources(11, digital=False, seconds=7.0, count=3)


@pytest.fixture(scope="session")
def digital(scenes: ModuleType) -> list[np.ndarray]:
    return scenes.sources(12, digital=True, seconds=7.0, count=3)
