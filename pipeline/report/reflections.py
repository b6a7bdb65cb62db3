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


def reflections(
    record: Record, names: Mapping[str, Name]
) -> tuple[ReflectionView, ...]:
    """Floor reflections.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    tuple of ReflectionView
        In the record's order.
    """
    passes = {capture.id: capture.pass_id for capture in record.captures}
    return tuple(
        _reflection(
            found,
            names.get(found.capture),
            beside=passes.get(found.capture) == passes.get(found.against or ""),
        )
        for found in record.reflections
    )
