"""Record to view: blends and their recipes."""

from dataclasses import dataclass

from pipeline.models.record import Blend, Record
from pipeline.report import text
from pipeline.report.names import audio_link
from pipeline.report.passes import cost


@dataclass(frozen=True, slots=True)
class BlendView:
    """A sum of captures."""

    id: str
    reason: str
    recipe: tuple[str, ...]
    loss: str
    audio: str | None
    anchor: str


def _recipe(blend: Blend) -> tuple[str, ...]:
    return tuple(
        f"{part.capture}: {text.signed(part.gain_db, 1, 'dB')}"
        + (", flipped" if part.polarity == -1 else "")
        + (
            f", moved by {text.number(part.lag_samples, 2)} samples"
            if part.lag_samples
            else ""
        )
        for part in blend.parts
    )


def blends(record: Record) -> tuple[BlendView, ...]:
    """Blends and their recipes.

    Parameters
    ----------
    record : Record
        The session.

    Returns
    -------
    tuple of BlendView
        In the record's order.
    """
    return tuple(
        BlendView(
            id=blend.id,
            reason=text.told(blend.reason),
            recipe=_recipe(blend),
            loss=cost(blend.sum_loss_db),
            audio=audio_link(blend.output),
            anchor=f"b{index}",
        )
        for index, blend in enumerate(record.blends)
    )
