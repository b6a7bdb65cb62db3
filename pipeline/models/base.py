"""The grammar that every model shares: strict, frozen, finite, no stray keys."""

from pydantic import BaseModel, ConfigDict, JsonValue

Recall = dict[str, JsonValue]
"""Free recall data of a set-up, a cabinet, a microphone or a session."""


class Strict(BaseModel):
    """Base of all models: unknown keys, NaN and infinity are refused."""

    model_config = ConfigDict(
        strict=True,
        frozen=True,
        extra="forbid",
        allow_inf_nan=False,
        populate_by_name=True,
    )
