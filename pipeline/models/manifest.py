"""What a manifest may say, as written: no references resolved, no files opened.

The keys are the trade's words; their meaning is in the field descriptions, which
`reamps schema` hands to editors. Lengths are in millimetres, levels in dB, angles
in degrees. Free recall keys pass through in session, set-ups, cabinets, mics and
`private`; anywhere else an unknown key is a mistake.
"""

from typing import Annotated, Literal

from pydantic import ConfigDict, Field, JsonValue

from pipeline.models.base import Recall, Strict

FORMAT = 1
"""Number of the manifest format. 1: the first."""

Name = Annotated[str, Field(min_length=1, max_length=200)]
FileName = Annotated[str, Field(min_length=1, max_length=4096)]
Millimetres = Annotated[float, Field(ge=-20_000, le=20_000)]
Distance = Annotated[float, Field(ge=0, le=50_000)]


class Open(Strict):
    """A table that keeps whatever else is written in it."""

    model_config = ConfigDict(extra="allow")

    @property
    def recall(self) -> Recall:
        """The free keys, as written."""
        extra: dict[str, JsonValue] = self.__pydantic_extra__ or {}
        return dict(extra)


class Session(Open):
    """`[session]`: the night."""

    name: Name = Field(description="Name of the session; also names its report.")
    temperature_c: float = Field(
        default=20.0,
        ge=-20,
        le=60,
        description="Air temperature in Celsius; turns delays into millimetres.",
    )
    private: Recall = Field(
        default_factory=dict, description="Free keys that no client page shows."
    )


class Di(Strict):
    """`[di]`: the dry recording that was played through the rig."""

    file: FileName = Field(
        description=(
            "Audio file, relative to the manifest; or the play-out file that was "
            "made of it, with its sidecar."
        )
    )
    channel: int = Field(default=1, ge=1, description="Channel, counted from 1.")
    playout: FileName | None = Field(
        default=None,
        description=(
            "Play-out file made of this DI that the captures recorded; one that lies "
            "beside the DI is found without it."
        ),
    )


class Loopback(Strict):
    """`[loopback]`: interface output patched straight to its input."""

    file: FileName = Field(description="Recording of the DI through the cable alone.")
    channel: int = Field(default=1, ge=1, description="Channel, counted from 1.")


class Align(Strict):
    """`[align]`: what is shifted together."""

    mode: Literal["pass", "mic"] = Field(
        default="pass",
        description=(
            "pass: one shift for all mics of a pass, their mutual timing kept; "
            "mic: each mic shifted on its own."
        ),
    )


class Loudness(Strict):
    """`[loudness]`: the level that all outputs share."""

    target_lufs: float = Field(
        default=-23.0, gt=-60, le=-5, description="Integrated loudness, EBU R 128."
    )
    max_true_peak_dbtp: float = Field(
        default=-1.0, ge=-30, le=0, description="Ceiling of the true peak."
    )


class Compare(Strict):
    """`[compare]`: what the others are held against."""

    reference: Name | None = Field(
        default=None, description="Capture that differences are shown against."
    )
    shortlist: int = Field(
        default=5, ge=1, le=12, description="How many captures the shortlist holds."
    )
    blends: Literal["best", "ratios", "none"] = Field(
        default="best",
        description=(
            "Blends of two mics of a pass that are made without being asked for. "
            "best: as placed at equal loudness, and aligned at the ratio that loses "
            "least; ratios: also -6, 0 and +6 dB of each; none: only [[blend]]."
        ),
    )


class Context(Strict):
    """`[context]`: a backing track that plays along on the page."""

    file: FileName = Field(
        description=(
            "Audio file at any rate, relative to the manifest; of more than two "
            "channels the first two are taken."
        )
    )
    offset_s: float = Field(
        default=0.0,
        ge=-86_400,
        le=86_400,
        description=(
            "Where the DI starts in the track, in seconds; negative: before the track."
        ),
    )
    gain_db: float = Field(
        default=0.0,
        ge=-60,
        le=20,
        description="Loudness in dB against the captures; 0: as loud as they are.",
    )


class Setup(Open):
    """`[setup.NAME]`: pedals, amp, knobs, cabinet: whatever must be recalled."""

    like: Name | None = Field(
        default=None, description="Another set-up whose keys are inherited."
    )
    cabinet: Name | None = Field(default=None, description="Name of a cabinet.")
    private: Recall = Field(default_factory=dict, description="Not for the client.")


class Speaker(Open):
    """One speaker of a cabinet, seen from the front."""

    id: Name = Field(description="Name that captures refer to.")
    diameter_mm: float = Field(default=305.0, gt=0, le=1000, description="Diameter.")
    x_mm: Millimetres = Field(default=0.0, description="Centre, from the left edge.")
    y_mm: Millimetres = Field(default=0.0, description="Centre, above lower edge.")


class Cabinet(Open):
    """`[cabinet.NAME]`: where the speakers are."""

    height_mm: Distance = Field(
        default=0.0, description="Height of the lower edge above the floor."
    )
    speakers: tuple[Speaker, ...] = Field(
        default=(), description="Speakers, seen from the front."
    )
    private: Recall = Field(default_factory=dict, description="Not for the client.")


class Mic(Open):
    """`[mic.NAME]`: a microphone."""

    like: Name | None = Field(
        default=None, description="Another microphone whose keys are inherited."
    )
    type: Literal["dynamic", "ribbon", "condenser", "other", "none"] = Field(
        default="other",
        description="none: a direct or software-rendered chain without microphone.",
    )
    private: Recall = Field(default_factory=dict, description="Not for the client.")


class Capture(Strict):
    """`[[capture]]`: one recording of the DI through the rig."""

    id: Name | None = Field(
        default=None, description="Unique name; default: the file's stem."
    )
    file: FileName = Field(description="Audio file, relative to the manifest.")
    channel: int = Field(
        default=1, ge=1, description="Channel of a stereo or poly file, from 1."
    )
    pass_id: Name | None = Field(
        default=None,
        alias="pass",
        description="Captures recorded at the same time share a pass.",
    )
    setup: Name | None = Field(default=None, description="Name of a set-up.")
    mic: Name | None = Field(default=None, description="Name of a microphone.")
    speaker: Name | None = Field(
        default=None, description="Which speaker of the cabinet."
    )
    position: str | None = Field(
        default=None, description="Where on the cone, in words: 'cap edge'."
    )
    offset_mm: Millimetres | None = Field(
        default=None, description="Distance from the cap's centre along the cone."
    )
    x_mm: Millimetres | None = Field(
        default=None, description="From the cap's centre, to the right."
    )
    y_mm: Millimetres | None = Field(
        default=None, description="From the cap's centre, upwards."
    )
    distance_mm: Distance | None = Field(
        default=None, description="From the grille to the capsule."
    )
    height_mm: Distance | None = Field(
        default=None, description="Height of the capsule above the floor."
    )
    angle_deg: float | None = Field(
        default=None, ge=-180, le=180, description="Angle off the speaker's axis."
    )
    treatment: str | None = Field(
        default=None, description="What lay or stood around: 'blanket on floor'."
    )
    control: bool = Field(
        default=False,
        description="The same set-up recorded again: gives the repeatability floor.",
    )
    tags: tuple[str, ...] = Field(default=(), description="Free words.")
    notes: str | None = Field(default=None, description="Free text.")
    photo: FileName | None = Field(
        default=None, description="Picture of it for the recall sheet."
    )
    private: Recall = Field(default_factory=dict, description="Not for the client.")


class BlendPart(Strict):
    """One microphone of a blend."""

    capture: Name = Field(description="Id of a capture.")
    gain_db: float = Field(default=0.0, ge=-60, le=20, description="Gain in dB.")
    flip: bool = Field(default=False, description="Polarity flipped.")


class Wanted(Strict):
    """A tone that a blend is to come near to: a capture or a file."""

    capture: Name | None = Field(default=None, description="Id of a capture.")
    file: FileName | None = Field(
        default=None,
        description="Any recording of such a tone, relative to the manifest.",
    )


class Blend(Strict):
    """`[[blend]]`: a sum of captures, as a rule of one pass."""

    id: Name = Field(description="Unique name, also among the captures.")
    parts: tuple[BlendPart, ...] = Field(min_length=2, description="What is summed.")
    align: bool = Field(
        default=False, description="Shift the parts onto the first one."
    )
    nearest: Wanted | None = Field(
        default=None,
        description=(
            "Search the gains at which the sum comes nearest to this tone; two to "
            "five parts, which then have no gain_db of their own."
        ),
    )


class Manifest(Strict):
    """One DI and its captures: format 1."""

    format: Literal[1] = Field(description="Number of the manifest format: 1.")
    session: Session
    di: Di
    loopback: Loopback | None = None
    align: Align = Align()
    loudness: Loudness = Loudness()
    compare: Compare = Compare()
    context: Context | None = None
    setup: dict[Name, Setup] = Field(default_factory=dict)
    cabinet: dict[Name, Cabinet] = Field(default_factory=dict)
    mic: dict[Name, Mic] = Field(default_factory=dict)
    takes: FileName | None = Field(
        default=None,
        description=(
            "Take sheet: a CSV file whose rows are captures, after those in "
            "[[capture]]; relative to the manifest."
        ),
    )
    capture: tuple[Capture, ...] = ()
    blend: tuple[Blend, ...] = ()
