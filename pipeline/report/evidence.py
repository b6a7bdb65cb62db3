"""Record to view: what a fault looks like, in one picture and one table.

The points are stored results put onto a frame's scales. What the axes mean follows from
the finding's code; a code without a picture here is told in words only.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from pipeline.models.record import Capture, Evidence
from pipeline.report import text
from pipeline.report.plots import Axis, Frame, Scale, even_axis, frame, hertz_axis
from pipeline.report.titles import finding_title
from pipeline.report.view import Fact

SIZE = (420, 240)
MOST_DRAWN = 120
"""So many pictures of faults a page holds; whatever comes after is told in words."""
ROLES = ("first", "second", "third")
SHOWN_HZ = (40.0, 16_000.0)
MOST = 1e7
"""No axis has words for larger figures."""


@dataclass(frozen=True, slots=True)
class Look:
    """How the evidence of one code is drawn.

    Parameters
    ----------
    sentence : str
        What to see in it.
    x, y : str
        Titles of the axes, with units.
    lines : dict of str to str
        Names of the lines in words.
    log_hz : bool
        Frequencies in octaves.
    zero : bool
        The vertical axis holds zero.
    title : str
        Heading; empty for the finding's own.
    """

    sentence: str
    x: str
    y: str
    lines: dict[str, str] = field(default_factory=dict)
    log_hz: bool = False
    zero: bool = False
    title: str = ""


LOOKS = {
    "clipped": Look(
        "The longest flat top, sample by sample: a wave is round where nothing holds "
        "it. The marks stand where it begins and ends.",
        "ms from its start",
        "full scale is 1",
    ),
    "jump": Look(
        "One drop-out, sample by sample: between the marks nothing new was recorded.",
        "ms from its start",
        "full scale is 1",
        {"capture": "capture", "before": "what came before, moved here"},
        zero=True,
        title="Drop-outs",
    ),
    "hum": Look(
        "The spectrum of the DI's silences: marked spikes stand at multiples of the "
        "mains frequency.",
        "Hz",
        "dB against the music",
    ),
    "gate": Look(
        "At each mark the capture falls off a cliff, its DI does not.",
        "seconds",
        "dBFS in frames of 50 ms",
        {"capture": "capture", "di": "DI"},
    ),
    "muted": Look(
        "Between the marks the DI plays on and the capture does not.",
        "seconds",
        "dBFS in frames of 50 ms",
        {"capture": "capture", "di": "DI"},
    ),
    "bleed": Look(
        "How much of the DI is in the capture at each moment: the amplifier is at 0, "
        "the marked spike ahead of it came by another way.",
        "ms after the amplifier's sound",
        "dB over the usual",
    ),
    "swapped": Look(
        "It follows its neighbour of the pass before, not the microphone that was on "
        "this input.",
        "Hz",
        "dB, each about its mean",
        {
            "capture": "this capture",
            "other": "the neighbour, a pass before",
            "same": "this input, a pass before",
        },
        log_hz=True,
    ),
    "buffer_change": Look(
        "The passes of this microphone in order: one stands a step apart.",
        "pass",
        "samples later than most",
        zero=True,
    ),
    "warming": Look(
        "The captures of this set-up in order: both lines should be level.",
        "capture",
        "change since the first",
        {"level": "level, dB", "brightness": "brightness, semitones"},
        zero=True,
    ),
}
_NUMBERS = {
    "at_s": ("Where, s", 3),
    "level_dbfs": ("Flat at, dBFS", 1),
    "flat_tops": ("Flat tops", 0),
    "samples": ("Samples in them", 0),
    "longest_samples": ("Longest, samples", 0),
    "longest_ms": ("Longest, ms", 2),
    "dropouts": ("Drop-outs", 0),
    "samples_lost": ("Samples lost in all", 0),
    "mains_hz": ("Mains, Hz", 0),
    "hum_db": ("Against the music, dB", 1),
    "harmonics": ("Harmonics that stick out", 0),
    "prominence_db": ("Highest over the noise beside it, dB", 1),
    "closings": ("Closings", 0),
    "open_dbfs": ("Just before, dBFS", 1),
    "closed_dbfs": ("Just after, dBFS", 1),
    "seconds": ("Length, s", 1),
    "playing_dbfs": ("Where it plays, dBFS", 1),
    "muted_dbfs": ("Between the marks, dBFS", 1),
    "lead_samples": ("Ahead of the amplifier, samples", 0),
    "lead_ms": ("Ahead of the amplifier, ms", 2),
    "level_db": ("Level, dB", 1),
    "same_off_db": ("Off its own input, dB a band", 1),
    "other_off_db": ("Off its neighbour, dB a band", 1),
    "moved_samples": ("Later than most, samples", 1),
    "compared": ("Captures compared", 0),
    "captures": ("Captures", 0),
    "brightness_semitones": ("Brightness, semitones", 1),
    "chance": ("Chance of that order without a cause", 6),
}


@dataclass(frozen=True, slots=True)
class SeenLine:
    """One line of the picture."""

    role: str
    word: str
    path: str


@dataclass(frozen=True, slots=True)
class Seen:
    """One fault as it is shown.

    Parameters
    ----------
    title : str
        What was found.
    sentence : str
        What to see in the picture.
    numbers : tuple of Fact
        What it rests on.
    frame : Frame
        The picture without its data.
    lines : tuple of SeenLine
        Drawn in order.
    marks : tuple of float
        Places of the marks in the picture.
    """

    title: str
    sentence: str
    numbers: tuple[Fact, ...]
    frame: Frame
    lines: tuple[SeenLine, ...]
    marks: tuple[float, ...]

    @property
    def named(self) -> bool:
        """Whether its lines need a key."""
        return len(self.lines) > 1


def _numbers(evidence: Evidence) -> tuple[Fact, ...]:
    found = []
    for key, value in evidence.numbers.items():
        word, digits = _NUMBERS.get(key, (text.label(key), 2))
        found.append(Fact(word, text.number(value, digits)))
    return tuple(found)


def _axes(look: Look, evidence: Evidence) -> tuple[Axis, Axis]:
    xs = [x for line in evidence.lines for x in line.x]
    ys = [y for line in evidence.lines for y in line.y] + ([0.0] if look.zero else [])
    low, high = min(ys), max(ys)
    if high - low < 1e-6:
        low, high = low - 1.0, high + 1.0
    across = even_axis(min(xs), max(xs), look.x, 6)
    x = hertz_axis(*SHOWN_HZ, look.x) if look.log_hz else across
    return x, even_axis(low, high, look.y, 5)


def _within(axis: Scale, xs: Sequence[float], ys: Sequence[float]) -> list[list[float]]:
    kept = [(x, y) for x, y in zip(xs, ys, strict=True) if axis.low <= x <= axis.high]
    return [[x for x, _ in kept], [y for _, y in kept]]


def seen(code: str, evidence: Evidence | None) -> Seen | None:
    """Draw the evidence of a finding.

    Parameters
    ----------
    code : str
        The finding's code, which says what its lines are.
    evidence : Evidence or None
        The stored points.

    Returns
    -------
    Seen or None
        None where there is nothing to draw, or nobody knows how.
    """
    look = LOOKS.get(code)
    if look is None or evidence is None or not _legible(evidence):
        return None
    x, y = _axes(look, evidence)
    on = frame(SIZE, x, y)
    return Seen(
        title=look.title or finding_title(code),
        sentence=look.sentence,
        numbers=_numbers(evidence),
        frame=on,
        lines=_lines(look, evidence, on),
        marks=tuple(on.x.place(at) for at in evidence.marks if x.low <= at <= x.high),
    )


def _legible(evidence: Evidence) -> bool:
    """Whether a line leads from one place to another, and all fits on axes."""
    values = [abs(at) for line in evidence.lines for at in (*line.x, *line.y)]
    leads = any(line.x and max(line.x) > min(line.x) for line in evidence.lines)
    return leads and max(values) <= MOST


def _lines(look: Look, evidence: Evidence, on: Frame) -> tuple[SeenLine, ...]:
    """Draw the lines that the look names, or all; what matters most is drawn last."""
    order = list(look.lines) or [line.name for line in evidence.lines]
    roles = dict(zip(order, ROLES, strict=False))
    found = [
        SeenLine(
            roles[line.name],
            look.lines.get(line.name, ""),
            on.path(*_within(on.x, line.x, line.y)),
        )
        for line in evidence.lines
        if line.name in roles
    ]
    return tuple(sorted(found, key=lambda line: ROLES.index(line.role), reverse=True))


def drawn(captures: Sequence[Capture]) -> dict[str, tuple[Seen, ...]]:
    """Draw the faults of a night.

    Parameters
    ----------
    captures : sequence of Capture
        In the record's order.

    Returns
    -------
    dict of str to tuple of Seen
        By capture id; the first 120 pictures of the page.
    """
    found: dict[str, tuple[Seen, ...]] = {}
    left = MOST_DRAWN
    for capture in captures:
        pictures = [seen(f.code, f.evidence) for f in capture.findings]
        kept = tuple(one for one in pictures if one is not None)[:left]
        left -= len(kept)
        found[capture.id] = kept
    return found
