"""What the commands of the library share: their options, and how they answer."""

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.library.heard import Measure
from pipeline.library.tables import WIDEST, laid_out

if TYPE_CHECKING:
    from pipeline.library.catalogue import Catalogue
    from pipeline.library.tables import Layout, Value

DEFAULT = Path.home() / "reamps-library"


class Shape(StrEnum):
    """How a result is printed."""

    TABLE = "table"
    JSON = "json"
    CSV = "csv"


@dataclass(frozen=True, slots=True)
class Tools:
    """What the commands were given by whoever mounted them.

    Parameters
    ----------
    measure : Measure or None
        Measures any audio file.
    """

    measure: Measure | None


Root = Annotated[
    Path,
    typer.Option(
        "--library",
        "-l",
        metavar="DIR",
        envvar="REAMPS_LIBRARY",
        help="Folder of the library.",
    ),
]
Wheres = Annotated[
    list[str] | None,
    typer.Option(
        "--where",
        "-w",
        metavar="CONDITION",
        help='A condition, such as "distance_mm < 50", "mic.type = ribbon and '
        'not amp ~ combo", "date >= 2025-03". May be given several times; all must '
        "hold.",
    ),
]
As = Annotated[
    Shape, typer.Option("--as", case_sensitive=False, help="How to print the result.")
]
Count = Annotated[
    int, typer.Option("--count", "-n", min=1, max=1_000_000, help="At most so many.")
]
Words = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="[WORDS]...", help="Words that must all occur in what was written."
    ),
]


def storable(number: int | None) -> int | None:
    """Refuse a number that no catalogue can hold.

    Parameters
    ----------
    number : int or None
        Of a capture or session, as it was typed.

    Returns
    -------
    int or None
        The same.

    Raises
    ------
    typer.BadParameter
        If it has more than 63 bits.
    """
    if number is not None and number.bit_length() > 63:
        message = f"found {number}, which is no number of a catalogue"
        raise typer.BadParameter(message)
    return number


Number = Annotated[
    int,
    typer.Argument(metavar="NUMBER", callback=storable, help="Number of a tone."),
]


def opened(root: Path) -> "Catalogue":
    """Open a library that is there.

    Parameters
    ----------
    root : Path
        Its folder.

    Returns
    -------
    Catalogue
        To be used in a with statement. A `CatalogueError` is raised where there is no
        library.
    """
    from pipeline.library.catalogue import (  # noqa: PLC0415 help comes at once
        Catalogue,
        existing,
    )

    return Catalogue(existing(root))


def say(text: str) -> None:
    """Write a message to standard error.

    Parameters
    ----------
    text : str
        One line.
    """
    typer.echo(text, err=True)


def answer(
    columns: tuple[str, ...],
    rows: "list[tuple[Value, ...]]",
    shape: Shape,
    *,
    widest: int = WIDEST,
) -> None:
    """Write a result to standard output.

    Parameters
    ----------
    columns : tuple of str
        Names.
    rows : list of tuple
        Values.
    shape : Shape
        How they are laid out.
    widest : int
        Characters of a text in a table.
    """
    layout: Layout = shape.value
    typer.echo(laid_out(columns, rows, layout, widest=widest))
