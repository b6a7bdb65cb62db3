"""One processed session that several tests look at."""

from pathlib import Path

import pytest

from pipeline.run.service import Options, Outcome, run_manifests
from tests.run.sessions import Session, write_session


@pytest.fixture(scope="session")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    """Write the small session."""
    return write_session(tmp_path_factory.mktemp("session"))


@pytest.fixture(scope="session")
def processed(
    session: Session, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Outcome, Path]:
    """Process it once."""
    folder = tmp_path_factory.mktemp("result")
    (outcome,) = run_manifests([session.manifest], folder, Options(jobs=1, quiet=True))
    return outcome, folder
