"""What adding a run's folder finds there, and what it did."""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Literal

from pipeline.library import records
from pipeline.library.entries import Night, night
from pipeline.library.records import SHELF_FORMAT, Envelope, Numbers
from pipeline.models.record import Record

Outcome = Literal["added", "updated", "moved", "copied", "unchanged"]


@dataclass(frozen=True, slots=True)
class Added:
    """What adding a folder did.

    Parameters
    ----------
    outcome : {"added", "updated", "moved", "copied", "unchanged"}
        "updated": the folder was there with an older record; "moved": the record was
        there under a folder that is gone; "copied": only its audio was new here.
    number : int
        Of the session.
    tones : int
        Captures, rejected ones too, and blends in it.
    """

    outcome: Outcome
    number: int
    tones: int


@dataclass(frozen=True, slots=True)
class Known:
    """A session that is there already.

    Parameters
    ----------
    number : int
        In the catalogue.
    sha256 : str
        Of its record's text.
    folder : str
        Of its run.
    copied : bool
        Whether its audio was copied in.
    """

    number: int
    sha256: str
    folder: str
    copied: bool


@dataclass(frozen=True)
class Found:
    """A run's folder, read.

    Parameters
    ----------
    source : Path
        The folder.
    text : str
        Of its record.
    record : Record
        The session.
    """

    source: Path
    text: str
    record: Record

    @cached_property
    def laid_out(self) -> Night:
        """What the catalogue stores of it."""
        return night(self.record)

    @cached_property
    def sha256(self) -> str:
        """Hash of the record's text."""
        return records.digest(self.text)

    @property
    def folder(self) -> str:
        """The folder as the catalogue writes it."""
        return str(self.source)

    def parcel(self, known: Known | None, *, copied: bool) -> Envelope:
        """Make what goes onto the shelf, without numbers yet.

        Parameters
        ----------
        known : Known or None
            The session as it was; copies of the very same record stay.
        copied : bool
            Whether its audio was copied in now.

        Returns
        -------
        Envelope
            For `records.put`.
        """
        kept = known is not None and known.copied and known.sha256 == self.sha256
        return Envelope(
            shelf=SHELF_FORMAT,
            folder=self.folder,
            copied=copied or kept,
            numbers=Numbers(session=0, captures={}),
            text=self.text,
        )

    def outcome(self, known: Known | None, *, copy: bool) -> Outcome:
        """Say what adding it does.

        Parameters
        ----------
        known : Known or None
            The session as it was.
        copy : bool
            Whether its audio comes along.

        Returns
        -------
        Outcome
            "unchanged" where there is nothing to write.
        """
        if known is None:
            return "added"
        if known.sha256 != self.sha256:
            return "updated"
        if known.folder != self.folder:
            return "moved"
        return "copied" if copy and not known.copied else "unchanged"
