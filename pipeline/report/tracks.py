"""Record to view: lag of each capture over time."""

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.models.record import Record
from pipeline.report.names import Name
from pipeline.report.plots import WIDE, Frame, even_axis, frame
from pipeline.report.spectra import Curve
from pipeline.report.thinning import MOST_LINES, chosen, thinned

MOST_ENDINGS = 6


@dataclass(frozen=True, slots=True)
class Ending:
    """A capture's name and the height at which its line ends."""

    name: Name
    end: float


@dataclass(frozen=True, slots=True)
class Tracks:
    """Lag against time."""

    frame: Frame
    curves: tuple[Curve, ...]
    named: tuple[Ending, ...]
    note: str | None


def tracks(record: Record, names: Mapping[str, Name]) -> Tracks | None:
    """Lag of each capture over time, against its own latency.

    Parameters
    ----------
    record : Record
        The session.
    names : mapping of str to Name
        Names of the captures.

    Returns
    -------
    Tracks or None
        None when no lag was followed over time.
    """
    rate = record.di.sample_rate_hz
    found: dict[str, tuple[list[float], list[float]]] = {}
    for capture in record.captures:
        late = capture.latency
        if late is not None and len(late.track) > 1:
            found[capture.id] = (
                [point.at_s for point in late.track],
                [(p.samples - late.samples) / rate * 1000 for p in late.track],
            )
    if not found:
        return None
    unsteady = {c.id for c in record.captures if c.latency and c.latency.jumps} | {
        key for key, (_, ys) in found.items() if max(ys) - min(ys) > 1000 / rate
    }
    calm = [key for key in found if key not in unsteady]
    keep, total = chosen(record, calm, MOST_LINES)
    reach = max(max(abs(y) for y in ys) for _, ys in found.values())
    reach = max(reach, 0.05)
    end = max(xs[-1] for xs, _ in found.values())
    on = frame(
        (WIDE[0], 300),
        even_axis(0.0, end, "Time in the song, seconds", 8),
        even_axis(-reach, reach, "ms later than its average", 4),
    )
    curves = tuple(
        Curve(names[key], on.path(*found[key]), "unsteady" if key in unsteady else "")
        for key in [*(c for c in calm if c in keep), *sorted(unsteady)]
        if key in found
    )
    named = tuple(
        Ending(names[key], on.y.place(found[key][1][-1]))
        for key in sorted(unsteady & found.keys())[:MOST_ENDINGS]
    )
    return Tracks(on, curves, named, thinned(len(keep), total))
