"""The floor's reflection at every mic: from the manifest, and from the recordings."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from pipeline.models.base import Recall
from pipeline.models.plan import CapturePlan
from pipeline.models.record import Reflection
from pipeline.run.judging import Judged
from pipeline.stages.bounce import Heard, Stand, describe_reflection


def reflections(judged: Judged) -> tuple[Reflection, ...]:
    """Predict and measure the floor's reflection at every usable capture.

    Parameters
    ----------
    judged : Judged
        The measured session.

    Returns
    -------
    tuple of Reflection
        Of the captures whose speaker's height and distance the manifest tells.
    """
    found = []
    for capture in judged.plan.captures:
        stand = _stand(capture, judged)
        if stand is None or not judged.usable(capture.id):
            continue
        other = _other_treatment(capture, judged)
        found.append(
            describe_reflection(
                capture.id,
                stand,
                _response(judged, capture.id),
                sample_rate_hz=judged.sources.di.sample_rate_hz,
                against=(other, _response(judged, other)) if other else None,
                echo=_heard(judged, capture),
            )
        )
    return tuple(found)


def _response(judged: Judged, id_: str) -> NDArray[np.float32]:
    measured = judged.measured[id_].measured
    return np.frombuffer(measured.response_db if measured else b"", dtype="<f4")


def _heard(judged: Judged, capture: CapturePlan) -> Heard | None:
    """Find what another microphone of the pass showed this one to hear late."""
    rate_hz = judged.sources.di.sample_rate_hz
    for relation in judged.relations.get(capture.pass_id, ()):
        echo = relation.echo
        if echo is None:
            continue
        hears, other = (
            (relation.a, relation.b) if echo.mic == "a" else (relation.b, relation.a)
        )
        if hears == capture.id:
            delay_ms = echo.delay_samples / rate_hz * 1000.0
            return Heard(other, delay_ms, echo.level_db)
    return None


def _stand(capture: CapturePlan, judged: Judged) -> Stand | None:
    """Heights and distance, as far as the manifest tells them."""
    written = capture.written
    speaker = _speaker_height(capture, judged)
    if speaker is None or not written.distance_mm:
        return None
    height = written.height_mm
    if height is None:
        height = speaker + (written.y_mm or 0.0)
    if speaker <= 0 or height <= 0:
        return None
    temperature = judged.plan.manifest.session.temperature_c
    return Stand(speaker, height, written.distance_mm, temperature)


def _speaker_height(capture: CapturePlan, judged: Judged) -> float | None:
    recalls = judged.plan.recalls
    setup: Recall = recalls.setup.get(capture.written.setup or "", {})
    name = setup.get("cabinet")
    cabinet = judged.plan.manifest.cabinet.get(name) if isinstance(name, str) else None
    if cabinet is None or not cabinet.speakers:
        return None
    by_id: Mapping[str, float] = {s.id: s.y_mm for s in cabinet.speakers}
    chosen = capture.written.speaker or cabinet.speakers[0].id
    return cabinet.height_mm + by_id[chosen] if chosen in by_id else None


def _other_treatment(capture: CapturePlan, judged: Judged) -> str | None:
    """Find the capture that differs in the treatment of the room alone."""
    # One whose treatment is written down is preferred, then the nearest in time.
    place = capture.place
    order = {one.id: at for at, one in enumerate(judged.plan.captures)}
    found = [
        other
        for other in judged.plan.captures
        if other.written.setup == capture.written.setup
        and other.written.mic == capture.written.mic
        and other.place.treatment != place.treatment
        and other.place.model_copy(update={"treatment": place.treatment}) == place
        and judged.usable(other.id)
    ]
    if not found:
        return None
    here = order[capture.id]
    return min(
        found,
        key=lambda one: (one.place.treatment is None, abs(order[one.id] - here)),
    ).id
