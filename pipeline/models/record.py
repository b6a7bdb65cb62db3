"""What a run found: everything the page, the CSV and a later reader need.

Finite numbers only; absent is null. Lag is positive when the capture is late.
Raw facts are stored, figures derived from them are not.
"""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from pipeline.models.base import Recall, Strict
from pipeline.models.playout import PlayedOut, PlayoutReading

FORMAT = 1
"""Number of the record format. 1: the first."""

Severity = Literal["note", "warn", "reject"]
Status = Literal["ok", "flagged", "rejected"]
Polarity = Literal[1, -1]
Level = Annotated[float, Field(ge=-10_000, le=10_000)]
"""A level in dB that is drawn: no sound comes near the bounds."""

FINDING_CODES = (
    "missing",
    "unreadable",
    "not_finite",
    "silent",
    "not_this_di",
    "wrong_sample_rate",
    "truncated",
    "jump",
    "drift",
    "clipped",
    "hum",
    "noisy",
    "low_confidence",
    "too_short",
    "duplicate",
    "polarity_differs",
    "resampled",
    "varying",
    "second_path",
    "ambiguous",
    "echo",
    "buffer_change",
    "bleed",
    "gate",
    "no_overlap",
    "markers_disagree",
    "markers_only",
    "no_markers",
    "several_playouts",
    "muted",
    "over",
    "other_di",
    "swapped",
    "warming",
    "not_blended",
    "bug",
    "near_miss",
)
"""What this version says. Readers take any code: others join without a new format."""


class EvidenceLine(Strict):
    """One line of a picture: a few hundred points at most."""

    name: str = Field(description="Which line it is, such as 'capture' or 'di'.")
    x: tuple[float, ...]
    y: tuple[float, ...]

    @model_validator(mode="after")
    def _points_fit(self) -> Self:
        """Refuse coordinates that do not pair up."""
        if len(self.x) != len(self.y):
            message = f"a line of {len(self.x)} places and {len(self.y)} values"
            raise ValueError(message)
        return self


class Evidence(Strict):
    """What a finding looks like, where a picture convinces faster than a sentence.

    The finding's code says what the axes are; units are those of its table on the page.
    """

    lines: tuple[EvidenceLine, ...]
    marks: tuple[float, ...] = Field(
        default=(), description="Places on the horizontal axis where the fault is."
    )
    numbers: dict[str, float] = Field(
        default_factory=dict, description="Figures that the finding rests on."
    )


class Finding(Strict):
    """Something that was found, what it rests on and what to do about it."""

    code: str = Field(
        description="What it is: one of FINDING_CODES, or one of a later version."
    )
    severity: Severity
    message: str = Field(description="What was found, with its figures.")
    fix: str | None = Field(default=None, description="What to do about it.")
    evidence: Evidence | None = Field(
        default=None, description="Points of a picture; null where words suffice."
    )


class Jump(Strict):
    """A sudden change of lag: a drop-out or a repeated buffer."""

    at_s: float = Field(description="Time on the DI's timeline, s.")
    samples: float = Field(description="Positive: the capture becomes later.")


class LagPoint(Strict):
    """One point of lag against time."""

    at_s: float
    samples: float


class Latency(Strict):
    """When the capture happened against the DI."""

    samples: float = Field(description="At the DI's rate; positive: late.")
    ms: float
    polarity: Polarity | None = Field(description="null: undetermined.")
    confidence: float = Field(ge=0, le=1)
    drift_ppm: float | None
    jumps: tuple[Jump, ...] = ()
    explained_share: float | None = Field(
        default=None, description="Cross-validated share explained by the DI."
    )
    window_vote: float | None = Field(
        default=None, description="Share of windows that agree on the lag."
    )
    track: tuple[LagPoint, ...] = ()
    acoustic_mm: float | None = Field(
        default=None,
        description="Way through the air, where a loopback tells the electronics.",
    )


class LoudnessResult(Strict):
    """Loudness before and after the one static gain."""

    source_lufs: float | None
    gain_db: float = Field(description="The one static gain, trim included.")
    trim_db: float = Field(default=0.0, description="What a listener added by ear.")
    lufs: float | None
    lra_lu: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    true_peak_dbtp: float | None


class Output(Strict):
    """A file in the run's folder."""

    file: str = Field(description="Relative to the folder of the record.")
    sha256: str
    frames: int


class Place(Strict):
    """Where the microphone stood, as written in the manifest."""

    speaker: str | None = None
    position: str | None = None
    offset_mm: float | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    distance_mm: float | None = None
    height_mm: float | None = None
    angle_deg: float | None = None
    treatment: str | None = None


class Curves(Strict):
    """Plot series of one capture, after gain, on the record's frequency axes."""

    third_octave_db: tuple[Level, ...]
    erb_db: tuple[Level, ...]
    smooth_db: tuple[Level, ...]
    coherence: tuple[float, ...] = Field(
        description="Share explained by the DI in each third octave, 0 to 1."
    )
    levels: tuple[tuple[float, float], ...] = Field(
        description="Compression curve: DI level, capture level, both dBFS."
    )
    envelope: tuple[float, ...] = Field(
        description="Peak amplitude of equal slices of the file, 0 to 1."
    )


class Capture(Strict):
    """One capture, judged."""

    id: str
    file: str
    channel: int
    pass_id: str = Field(alias="pass")
    setup: str | None = None
    mic: str | None = None
    place: Place = Place()
    control: bool = False
    tags: tuple[str, ...] = ()
    notes: str | None = None
    photo: str | None = None
    private: Recall = Field(default_factory=dict)
    status: Status
    findings: tuple[Finding, ...] = ()
    latency: Latency | None = None
    shift_samples: float | None = None
    loudness: LoudnessResult | None = None
    metrics: dict[str, float | None] = Field(default_factory=dict)
    curves: Curves | None = None
    output: Output | None = None
    playout: PlayoutReading | None = Field(
        default=None, description="Where a play-out file was recorded whole."
    )

    @property
    def late_samples(self) -> float | None:
        """Lag without what a play-out file holds ahead of the DI; positive: late."""
        if self.latency is None:
            return None
        ahead = self.playout.lead_samples if self.playout else 0
        return self.latency.samples - ahead

    @property
    def late_ms(self) -> float | None:
        """The same in ms."""
        if self.latency is None:
            return None
        return self.latency.ms - (self.playout.lead_ms if self.playout else 0.0)


class SumResult(Strict):
    """What the sum of two microphones does in one arrangement."""

    loss_db: float = Field(
        description="Power sum minus level of the sum, 80 Hz to 8 kHz, dB."
    )
    notches_hz: tuple[float, ...] = ()
    curve_db: tuple[Level, ...] = Field(
        description="Sum against power sum in each third octave, dB."
    )


class Sums(Strict):
    """The arrangements of two microphones that a person can choose between."""

    as_placed: SumResult
    aligned: SumResult
    flipped: SumResult
    aligned_flipped: SumResult


class Advice(Strict):
    """What to do at the amp, or that it is better left alone."""

    kind: Literal["leave", "move", "flip", "align"]
    message: str
    steps: tuple[str, ...] = Field(
        default=(), description="The message step by step, in the order to take them."
    )


class Pair(Strict):
    """Two microphones of one pass: b against a."""

    pass_id: str = Field(alias="pass")
    a: str
    b: str
    delay_samples: float = Field(description="Positive: b is later than a.")
    uncertainty_samples: float = Field(
        default=0.0, ge=0, description="Half width of the 95 % interval."
    )
    distance_mm: float
    polarity: Polarity | None
    confidence: float = Field(ge=0, le=1)
    sums: Sums | None = None
    advice: Advice | None = None


class BlendPart(Strict):
    """One microphone of a blend, as it was summed."""

    capture: str
    gain_db: float
    polarity: Polarity
    lag_samples: float


class Nearest(Strict):
    """How near a blend came to a wanted tone, as measured at equal loudness."""

    capture: str | None = None
    file: str | None = Field(default=None, description="As the manifest names it.")
    distance_db: float = Field(
        ge=0, description="RMS difference over ERB-spaced bands."
    )
    part: str = Field(description="The part that alone comes nearest.")
    part_distance_db: float = Field(ge=0, description="Its distance.")


class Blend(Strict):
    """A sum of captures, level-matched like a capture; filed under the first's pass."""

    id: str
    pass_id: str = Field(alias="pass")
    reason: str
    aligned: bool
    parts: tuple[BlendPart, ...]
    sum_loss_db: float | None = Field(
        description="Power sum minus level of the sum, 80 Hz to 8 kHz, dB."
    )
    other_loss_db: float | None = Field(
        default=None,
        description="The same if it were aligned, or, of an aligned one, as placed.",
    )
    nearest: Nearest | None = None
    loudness: LoudnessResult
    metrics: dict[str, float | None]
    curves: Curves
    output: Output | None


class Reflection(Strict):
    """The floor's reflection: predicted from the manifest, and measured."""

    capture: str
    predicted_delay_ms: float
    predicted_level_db: float
    predicted_notch_hz: float
    measured_delay_ms: float | None = None
    measured_level_db: float | None = None
    against: str | None = Field(
        default=None,
        description=(
            "The capture compared with: of another treatment, or by another mic of "
            "the pass."
        ),
    )
    matters: bool | None = Field(
        default=None,
        description="Whether treating the floor can be heard here, as predicted.",
    )
    message: str

    @property
    def measured_notch_hz(self) -> float | None:
        """Where the reflection as measured cuts its first notch."""
        late_ms = self.measured_delay_ms
        return 500.0 / late_ms if late_ms else None


class Repeatability(Strict):
    """The night's floor: spread among captures of one set-up recorded again."""

    captures: tuple[str, ...]
    latency_samples: float | None
    distance_db: float | None
    metrics: dict[str, float]


class Axes(Strict):
    """Frequencies that the curves share."""

    third_octave_hz: tuple[float, ...]
    third_octave_label: tuple[str, ...]
    erb_hz: tuple[float, ...]
    smooth_hz: tuple[float, ...]


class Spot(Strict):
    """One capture on the map of tones: distances on it follow the spectra."""

    id: str
    x: float
    y: float


class Comparison(Strict):
    """How far the captures are from each other, in dB over ERB-spaced bands."""

    reference: str | None = Field(description="Capture that the others are held to.")
    ids: tuple[str, ...] = ()
    distance_db: tuple[tuple[Level, ...], ...] = ()
    spots: tuple[Spot, ...] = ()
    groups: tuple[tuple[str, ...], ...] = Field(
        default=(), description="Captures that differ less than the night's floor."
    )


class Choice(Strict):
    """One entry of the shortlist."""

    id: str
    reason: str


class DiResult(Strict):
    """The dry recording."""

    file: str
    sha256: str
    sample_rate_hz: int
    frames: int
    channel: int = 1
    start_frame: int = Field(
        default=0, description="Where it lies in its file, if that is a play-out file."
    )
    lufs: float | None = None
    true_peak_dbtp: float | None = None
    third_octave_db: tuple[Level, ...] = ()
    envelope: tuple[float, ...] = ()
    output: Output | None = None
    findings: tuple[Finding, ...] = Field(
        default=(), description="Faults of it; a record tells them among its own."
    )


class LoudnessTarget(Strict):
    """The level that all outputs share."""

    target_lufs: float
    effective_target_lufs: float
    max_true_peak_dbtp: float
    lowered_for: str | None = Field(
        default=None, description="Capture whose peaks lowered the whole session."
    )


class Recalls(Strict):
    """Recall data with inheritance resolved, by name."""

    setup: dict[str, Recall] = Field(default_factory=dict)
    cabinet: dict[str, Recall] = Field(default_factory=dict)
    mic: dict[str, Recall] = Field(default_factory=dict)


class Loopback(Strict):
    """The electronics' own part of the latency, from a loopback recording."""

    file: str
    samples: float
    polarity: Polarity | None


class ContextResult(Strict):
    """The backing track on the DI's time, at a level held to the captures'."""

    file: str
    sha256: str
    channels: Literal[1, 2]
    sample_rate_hz: int = Field(description="Of the file.")
    offset_s: float = Field(description="Where the DI starts in the track.")
    begins_s: float = Field(description="First of the DI's time that it covers.")
    ends_s: float = Field(description="Last of the DI's time that it covers.")
    asked_db: float = Field(description="Against the captures, as the manifest says.")
    source_lufs: float = Field(
        description="Power of its channels averaged: captures play on both, too."
    )
    gain_db: float
    lufs: float = Field(description="After gain.")
    true_peak_dbtp: float = Field(description="After gain, of the higher channel.")
    listen: str | None = Field(
        default=None, description="Script with its copy for the page."
    )
    listen_sha256: str | None = None


class Record(Strict):
    """One session, whole: format 1."""

    format: Literal[1]
    created: str
    version: str
    session: Recall
    align_mode: Literal["pass", "mic"]
    di: DiResult
    loopback: Loopback | None = None
    context: ContextResult | None = None
    playout: PlayedOut | None = None
    loudness: LoudnessTarget
    recall: Recalls = Recalls()
    axes: Axes | None = None
    findings: tuple[Finding, ...] = ()
    captures: tuple[Capture, ...]
    pairs: tuple[Pair, ...] = ()
    blends: tuple[Blend, ...] = ()
    reflections: tuple[Reflection, ...] = ()
    repeatability: Repeatability | None = None
    comparison: Comparison = Comparison(reference=None)
    shortlist: tuple[Choice, ...] = ()

    @property
    def sounds(self) -> dict[str, str]:
        """SHA-256 of each output by the id of its capture or blend."""
        everyone: list[Capture | Blend] = [*self.captures, *self.blends]
        return {one.id: one.output.sha256 for one in everyone if one.output}

    @model_validator(mode="after")
    def _tables_fit(self) -> Self:
        """Refuse curves of other lengths than their axes: readers draw by index."""
        series = [capture.curves for capture in self.captures if capture.curves]
        series += [blend.curves for blend in self.blends]
        if self.axes is not None:
            axes = self.axes
            wanted = tuple(
                map(len, (axes.third_octave_hz, axes.erb_hz, axes.smooth_hz))
            )
            for one in series:
                found = tuple(
                    map(len, (one.third_octave_db, one.erb_db, one.smooth_db))
                )
                if found != wanted:
                    message = f"curves of {found} points on axes of {wanted}"
                    raise ValueError(message)
        table, count = self.comparison.distance_db, len(self.comparison.ids)
        if table and {len(table), *map(len, table)} != {count}:
            message = f"a table of distances that is not {count} by {count}"
            raise ValueError(message)
        return self
