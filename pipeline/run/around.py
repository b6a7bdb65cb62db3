"""What the steps of a session share: who works, who is told, what is kept."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from pydantic import JsonValue

from pipeline import __version__
from pipeline.models.plan import CapturePlan, Plan
from pipeline.models.playout import Layout
from pipeline.models.record import Finding
from pipeline.run.executor import Workers
from pipeline.run.keeping import Keeper, Strand
from pipeline.run.progress import Progress
from pipeline.run.tasks import Fingerprint
from pipeline.stages.di import DiSpec
from pipeline.stages.read import SourceSpec

Task = TypeVar("Task")
Result = TypeVar("Result")

STAGE_VERSION = 8
"""Raised when a stage computes something else from the same input."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a session needs besides its plan.

    Parameters
    ----------
    workers : Workers
        Who does the work.
    progress : Progress
        Who is told.
    keeper : Keeper
        What was computed before.
    created : str
        Date and time of the run, ISO 8601.
    trims : mapping of str to float
        What a listener added by ear, in dB by id.
    """

    workers: Workers
    progress: Progress
    keeper: Keeper
    created: str
    trims: Mapping[str, float]

    def do(self, strand: Strand[Task, Result]) -> dict[str, Result]:
        """Do what has to be done of a strand, reuse the rest.

        Parameters
        ----------
        strand : Strand
            What there is to do.

        Returns
        -------
        dict of str to object
            Results by id; see `Keeper.map`.
        """
        return self.keeper.map(strand, self.workers, self.progress)


@dataclass(frozen=True, slots=True)
class Played:
    """What was played through the amplifier, as far as a sidecar tells.

    Parameters
    ----------
    layout : Layout or None
        Where everything lies in the play-out file.
    named : bool
        Whether the manifest names it.
    findings : tuple of Finding
        Why none is used.
    """

    layout: Layout | None = None
    named: bool = False
    findings: tuple[Finding, ...] = ()


NOTHING_PLAYED = Played()


@dataclass(frozen=True, slots=True)
class Sources:
    """The files of a session, looked at.

    Parameters
    ----------
    plan : Plan
        What the session is.
    di : DiSpec
        The DI.
    di_sha256 : str
        Hash of its file.
    prints : dict of str to Fingerprint
        Of every capture's file, by capture id.
    played : Played
        The play-out file that the captures recorded.
    """

    plan: Plan
    di: DiSpec
    di_sha256: str
    prints: dict[str, Fingerprint]
    played: Played = NOTHING_PLAYED

    def spec(self, capture: CapturePlan) -> SourceSpec:
        """Which channel of which file, at the DI's rate."""
        return SourceSpec(
            capture.path,
            capture.written.channel,
            self.di.sample_rate_hz,
            self.prints[capture.id].seen,
        )

    def di_parts(self) -> dict[str, JsonValue]:
        """Name what everything that is held against the DI depends on."""
        part = f"/{self.di.start}+{self.di.frames}" if self.di.start else ""
        return {
            "version": f"{__version__}/{STAGE_VERSION}",
            "DI": f"{self.di_sha256}/{self.di.channel}{part}",
        }

    def parts(self, capture: CapturePlan) -> dict[str, JsonValue]:
        """Name what everything that is computed of a capture depends on."""
        return {
            **self.di_parts(),
            "source": self.prints[capture.id].sha256,
            "channel": capture.written.channel,
        }
