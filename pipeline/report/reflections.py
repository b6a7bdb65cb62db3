"""Record to view: the floor's echo, as expected and as measured."""

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.models.record import Record, Reflection
from pipeline.report import text
from pipeline.report.names import Name


@dataclass(frozen=True, slots=True)
class ReflectionView:
    """The floor's echo in one capture."""

    name: Name | None
    id: str
    message: str
    predicted: str
    measured: str


@dataclass(frozen=True, slots=True)
class FloorReflections:
    """The captures that the floor can matter to, and those that it cannot.

    Parameters
    ----------
    rows : tuple of ReflectionView
        Where the floor can matter, or something was compared.
    quiet : tuple of Name
        Where it changes next to nothing.
    quiet_down : str
        How far down it lies at least there.
    """

    rows: tuple[ReflectionView, ...]
    quiet: tuple[Name, ...]
    quiet_down: str


def _reflection(
    found: Reflection, name: Name | None, *, beside: bool
) -> ReflectionView:
    measured = text.ABSENT
    if found.measured_delay_ms is not None:
        measured = text.number(found.measured_delay_ms, 2, "ms")
        if found.measured_level_db is not None:
            measured += f", {text.number(found.measured_level_db, 1, 'dB')}"
        if found.measured_notch_hz is not None:
            measured += f", first hole near {text.hertz(found.measured_notch_hz)}"
        if found.against is not None:
            way = "as heard beside" if beside else "what differs from"
            measured += f" ({way} {found.against})"
    return ReflectionView(
        name=name,
        id=found.capture,
        message=text.told(found.message),
        predicted=(
            f"{text.number(found.predicted_delay_ms, 2, 'ms')}, "
            f"{text.number(found.predicted_level_db, 1, 'dB')}, "
            f"first hole near {text.hertz(found.predicted_notch_hz)}"
        ),
        measured=measured,
    )


def reflections(record: Record, names: Mapping[str, Name]) -> FloorReflections | None:
    """Floor reflections.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    FloorReflections or None
        In the record's order; None where no height and distance is known.
    """
    if not record.reflections:
        return None
    passes = {capture.id: capture.pass_id for capture in record.captures}
    rows, quiet = [], []
    for found in record.reflections:
        if found.matters is False and found.against is None and found.capture in names:
            quiet.append(found)
            continue
        beside = passes.get(found.capture) == passes.get(found.against or "")
        rows.append(_reflection(found, names.get(found.capture), beside=beside))
    highest = max((found.predicted_level_db for found in quiet), default=0.0)
    return FloorReflections(
        rows=tuple(rows),
        quiet=tuple(names[found.capture] for found in quiet),
        quiet_down=text.number(-highest, 0, "dB"),
    )
