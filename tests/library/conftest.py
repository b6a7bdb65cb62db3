"""A small library of invented nights."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.library.catalogue import Catalogue
from tests.library import invented


def filled(folder: Path) -> Catalogue:
    """Two nights of twelve captures each."""
    catalogue = Catalogue(folder / "library")
    for seed in (1, 2):
        run = invented.write(folder / f"run {seed}", invented.night(seed, 12))
        catalogue.add(run)
    return catalogue


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Catalogue]:
    """A library of its own for every test."""
    with filled(tmp_path) as catalogue:
        yield catalogue


@pytest.fixture(scope="session")
def searched(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Catalogue]:
    """A library that nobody changes."""
    with filled(tmp_path_factory.mktemp("searched")) as catalogue:
        yield catalogue
