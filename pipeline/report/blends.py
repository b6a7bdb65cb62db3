"""Record to view: blends, what they lose, and how to make them again."""

from dataclasses import dataclass

from pipeline.models.record import Blend, BlendPart, Nearest, Record
from pipeline.report import text
from pipeline.report.names import audio_link
from pipeline.report.passes import cost


@dataclass(frozen=True, slots=True)
class BlendView:
    """A sum of captures; `key` is what the player calls it."""

    key: str
    id: str
    pass_id: str
    reason: str
    recipe: tuple[str, ...]
    loss: str
    other: str | None
    near: str | None
    brightness: str
    audio: str | None


def _part(part: BlendPart, gain_db: float, rate_hz: int) -> str:
    words = f"{part.capture} {text.signed(gain_db, 1, 'dB')}"
    if part.polarity == -1:
        words += ", flipped"
    if part.lag_samples:
        way = "earlier" if part.lag_samples > 0 else "later"
        late_ms = abs(part.lag_samples) / rate_hz * 1000
        words += f", {text.number(late_ms, 3, 'ms')} {way}"
    return words


def _recipe(blend: Blend, levels: dict[str, float], rate_hz: int) -> tuple[str, ...]:
    """Gains as the level-matched files need them, those of the sources taken out."""
    first = levels.get(blend.parts[0].capture, 0.0)
    return tuple(
        _part(part, part.gain_db - (levels.get(part.capture, first) - first), rate_hz)
        for part in blend.parts
    )


def _near(found: Nearest | None, floor_db: float | None) -> str | None:
    if found is None:
        return None
    wanted = found.capture or found.file or ""
    away = text.number(found.distance_db, 1, "dB")
    alone = text.number(found.part_distance_db, 1, "dB")
    gained = found.part_distance_db - found.distance_db
    if gained <= 0:
        return f"{away} from {wanted}; {found.part} alone is nearer, {alone}."
    words = f"{away} from {wanted}; of its parts {found.part} is nearest alone, {alone}"
    if floor_db is None:
        return f"{words}. How much can be told apart tonight is not known."
    if found.distance_db <= floor_db:
        return f"{words}. It cannot be told from {wanted} tonight."
    if gained <= floor_db:
        return f"{words}. That is no nearer than can be told tonight."
    return f"{words}."


def blends(record: Record) -> tuple[BlendView, ...]:
    """Blends, what they lose and how to make them again.

    Parameters
    ----------
    record : Record
        The session.

    Returns
    -------
    tuple of BlendView
        In the record's order.
    """
    rate_hz = record.di.sample_rate_hz
    levels = {c.id: c.loudness.gain_db for c in record.captures if c.loudness}
    floor_db = record.repeatability.distance_db if record.repeatability else None
    return tuple(
        BlendView(
            key=f"b{index}",
            id=blend.id,
            pass_id=blend.pass_id,
            reason=text.told(blend.reason),
            recipe=_recipe(blend, levels, rate_hz),
            loss=cost(blend.sum_loss_db),
            other=None
            if blend.other_loss_db is None
            else f"{'as they stood' if blend.aligned else 'moved together'}: "
            f"{cost(blend.other_loss_db)}",
            near=_near(blend.nearest, floor_db),
            brightness=text.number(blend.metrics.get("brightness_hz"), 0),
            audio=audio_link(blend.output),
        )
        for index, blend in enumerate(record.blends)
    )
