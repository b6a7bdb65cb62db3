"""Who is who on the page: one number a capture, so that no name becomes markup.

Anchors, curves and players refer to a capture by its place in the record; its id is
shown as text only.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.models.record import Capture, Output, Record
from pipeline.report import text
from pipeline.report.listening import listening_file

SHADES = 7
"""Steps of the ramp from the darkest to the brightest capture."""


@dataclass(frozen=True, slots=True)
class Name:
    """One capture (or blend) as the page refers to it.

    Parameters
    ----------
    index : int
        Its number on the page.
    id : str
        Its name, shown as text.
    shade : int
        0, darkest, to `SHADES` - 1, brightest; -1 when its brightness is unknown.
    audio : str or None
        Link to its file.
    listen : str or None
        Link to the script that carries it.
    """

    index: int
    id: str
    shade: int
    audio: str | None
    listen: str | None

    @property
    def anchor(self) -> str:
        """Id of its block on the page."""
        return f"c{self.index}"


def _shade(brightness_hz: float | None, ranks: Mapping[float, int]) -> int:
    if brightness_hz is None:
        return -1
    if len(ranks) == 1:
        return SHADES // 2
    return round(ranks[brightness_hz] * (SHADES - 1) / (len(ranks) - 1))


def audio_link(output: Output | None) -> str | None:
    """Link to an output file.

    Parameters
    ----------
    output : Output or None
        The file.

    Returns
    -------
    str or None
        Relative link; None when nothing was written.
    """
    return None if output is None else text.link(output.file)


def listen_link(output: Output | None) -> str | None:
    """Link to the script that carries an output file.

    Parameters
    ----------
    output : Output or None
        The file.

    Returns
    -------
    str or None
        Relative link; None when nothing was written.
    """
    return None if output is None else text.link(listening_file(output.file))


def _brightness(capture: Capture) -> float | None:
    return capture.metrics.get("brightness_hz")


def names(record: Record) -> dict[str, Name]:
    """Name of every capture by id, in the record's order.

    Parameters
    ----------
    record : Record
        The session.

    Returns
    -------
    dict of str to Name
        Shades are by rank, so that a few extreme captures do not grey out the rest.
    """
    found = (_brightness(capture) for capture in record.captures)
    ordered = sorted({at for at in found if at is not None})
    ranks = {at: rank for rank, at in enumerate(ordered)}
    return {
        capture.id: Name(
            index=index,
            id=capture.id,
            shade=_shade(_brightness(capture), ranks),
            audio=audio_link(capture.output),
            listen=listen_link(capture.output),
        )
        for index, capture in enumerate(record.captures)
    }
