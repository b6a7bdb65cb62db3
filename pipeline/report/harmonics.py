"""Record to view: what the markers and the sweep of a play-out file tell."""

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.models.playout import SweepReading
from pipeline.models.record import Capture, Record
from pipeline.report import text
from pipeline.report.names import Name
from pipeline.report.plots import Frame, even_axis, frame, hertz_axis
from pipeline.report.view import Fact

SIZE = (460, 230)
LOW_HZ, HIGH_HZ = 30.0, 16_000.0
DEEPEST_DB = -100.0
RESPONSE_DEPTH_DB = -50.0
ABOVE_NOISE_DB = 3.0
"""A harmonic that is less above what noise alone shows is mostly noise: at 3 dB both
have equal power."""
SHOWN_HZ = (82.0, 110.0, 165.0, 220.0, 330.0, 440.0, 1000.0, 2000.0)
ORDERS = ("2nd", "3rd", "4th", "5th")


@dataclass(frozen=True, slots=True)
class HarmonicLine:
    """One harmonic against frequency."""

    order: str
    key: str
    path: str


@dataclass(frozen=True, slots=True)
class HarmonicRow:
    """The harmonics of one note."""

    note: str
    levels: tuple[str, ...]
    total: str


@dataclass(frozen=True, slots=True)
class SweepView:
    """One capture's sweep."""

    level: str
    lines: tuple[HarmonicLine, ...]
    rows: tuple[HarmonicRow, ...]
    response: str


@dataclass(frozen=True, slots=True)
class SweepFrames:
    """The frames that all captures share."""

    harmonics: Frame
    response: Frame


def frames() -> SweepFrames:
    """Draw the frames of harmonics and of the linear response.

    Returns
    -------
    SweepFrames
        Equal for every session.
    """
    hertz = hertz_axis(LOW_HZ, HIGH_HZ)
    return SweepFrames(
        frame(SIZE, hertz, even_axis(DEEPEST_DB, 0.0, "dB against the note")),
        frame(SIZE, hertz, even_axis(RESPONSE_DEPTH_DB, 0.0, "dB against the loudest")),
    )


def agreement(capture: Capture) -> str:
    """Say whether music and markers agree.

    Parameters
    ----------
    capture : Capture
        Any capture.

    Returns
    -------
    str
        With the difference in samples; a dash where there are no markers.
    """
    found = capture.playout
    if found is None:
        return text.ABSENT
    apart = f"{text.number(abs(found.apart_samples), 2)} samples"
    if all(finding.code != "markers_disagree" for finding in capture.findings):
        return f"the same within {apart}"
    return f"{apart} {'later' if found.apart_samples > 0 else 'earlier'}"


def marker_facts(capture: Capture, sample_rate_hz: int) -> tuple[Fact, ...]:
    """Say what the markers of one capture tell.

    Parameters
    ----------
    capture : Capture
        Any capture.
    sample_rate_hz : int
        The DI's rate.

    Returns
    -------
    tuple of Fact
        Empty where no play-out file was recorded.
    """
    found = capture.playout
    if found is None:
        return ()
    ms = found.latency_samples / sample_rate_hz * 1000.0
    facts = [
        Fact(
            "Markers late by",
            f"{text.number(ms, 3, 'ms')} ({text.number(found.latency_samples, 2)} "
            "samples)",
        ),
        Fact("The music says", agreement(capture)),
        Fact("Markers' way round", text.POLARITY_WORDS[found.polarity]),
    ]
    if found.drift_ppm is not None:
        facts.append(
            Fact(
                "Clock, first to last markers",
                f"{text.signed(found.drift_ppm, 2)} parts in a million",
            )
        )
    if found.noise_dbfs is not None:
        facts.append(
            Fact(
                "Noise with nothing played",
                f"{text.number(found.noise_dbfs, 1, 'dBFS')} rms, as recorded",
            )
        )
    return tuple(facts)


def _real(sweep: SweepReading, order: int, index: int) -> bool:
    """Whether a harmonic stands above what noise alone would show."""
    if not sweep.noise_db:
        return True
    noise = sweep.noise_db[order][index]
    return sweep.harmonics_db[order][index] >= noise + ABOVE_NOISE_DB


def _line(sweep: SweepReading, order: int, hertz: tuple[float, ...]) -> str:
    """Draw a harmonic, with gaps where noise hides it or nothing is there."""
    levels = sweep.harmonics_db[order]
    pieces: list[list[int]] = [[]]
    for index, level in enumerate(levels):
        if level >= DEEPEST_DB and _real(sweep, order, index):
            pieces[-1].append(index)
        elif pieces[-1]:
            pieces.append([])
    picture = frames().harmonics
    return "".join(
        picture.path([hertz[i] for i in piece], [levels[i] for i in piece])
        for piece in pieces
    )


def _level(sweep: SweepReading, order: int, index: int) -> str:
    levels = sweep.harmonics_db[order]
    if index >= len(levels):
        return text.ABSENT
    if _real(sweep, order, index):
        return text.number(levels[index], 0)
    return f"< {text.number(sweep.noise_db[order][index] + ABOVE_NOISE_DB, 0)}"


def _row(
    sweep: SweepReading, hertz: tuple[float, ...], wanted_hz: float
) -> HarmonicRow:
    index = min(range(len(hertz)), key=lambda i: abs(hertz[i] / wanted_hz - 1.0))
    return HarmonicRow(
        note=text.hertz(hertz[index]),
        levels=tuple(
            _level(sweep, order, index) for order in range(len(sweep.harmonics_db))
        ),
        total=text.number(100.0 * sweep.distortion[index], 2, "%"),
    )


def _view(sweep: SweepReading, hertz: tuple[float, ...], level: str) -> SweepView:
    loudest = max(sweep.linear_db)
    shown = [
        (hz, level_db - loudest)
        for hz, level_db in zip(hertz, sweep.linear_db, strict=True)
        if LOW_HZ <= hz <= HIGH_HZ
    ]
    return SweepView(
        level=level,
        lines=tuple(
            HarmonicLine(ORDERS[order], f"h{order + 2}", _line(sweep, order, hertz))
            for order in range(min(len(sweep.harmonics_db), len(ORDERS)))
        ),
        rows=tuple(_row(sweep, hertz, wanted) for wanted in SHOWN_HZ),
        response=frames().response.path(*zip(*shown, strict=True)),
    )


def sweeps(record: Record, names: Mapping[str, Name]) -> dict[int, SweepView]:
    """Every capture's sweep.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    dict of int to SweepView
        By the capture's index; empty where no sweep was played.
    """
    played = record.playout
    if played is None or played.sweep_dbfs is None:
        return {}
    level = text.number(played.sweep_dbfs, 1, "dBFS")
    return {
        names[capture.id].index: _view(capture.playout.sweep, played.sweep_hz, level)
        for capture in record.captures
        if capture.playout and capture.playout.sweep
    }
