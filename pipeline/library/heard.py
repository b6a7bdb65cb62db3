"""A recording from elsewhere, as far as it can be compared without its DI.

The library does no signal processing: whoever calls it hands over a function that
measures a file.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

CAUTION = (
    "The DI of this recording is not known, so what was played counts as much as the "
    "rig. A finished mix was equalised and limited after the microphone: take the "
    "ranking as a start for listening, not as an answer."
)
"""Shown with every ranking against a recording."""


@dataclass(frozen=True, slots=True)
class Heard:
    """Average spectrum of a recording where it plays.

    Parameters
    ----------
    third_octave_hz : tuple of float
        Exact centres in Hz (IEC 61260-1).
    third_octave_db : tuple of float
        Levels in dB; their offset does not matter.
    """

    third_octave_hz: tuple[float, ...]
    third_octave_db: tuple[float, ...]


class Measure(Protocol):
    """Measures an audio file; raises an `AudioError` if it cannot be used."""

    def __call__(self, path: Path) -> Heard:
        """Measure one file."""
        ...
