"""How far does each original have to move? For people who keep their own files."""

import csv
import io

from pipeline.files.cells import guarded
from pipeline.models.record import DiResult, Latency, Record
from pipeline.stages.latency import drift_to_correct


def nudge_list(record: Record) -> str:
    """List how far each original has to move.

    Parameters
    ----------
    record : Record
        A run's record.

    Returns
    -------
    str
        CSV, one row a capture with a lag. `move_samples` counts at the DI's rate,
        negative = earlier; put the file's start on the DI's start first.
        `move_whole_samples` is the nearest that an editor's nudge can do. `invert`
        says whether its polarity is that of the DI turned over. `beyond` says what
        moving does not mend.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(
        [
            *("id", "file", "channel", "move_samples", "move_whole_samples"),
            *("move_ms", "invert", "rate_hz", "beyond"),
        ]
    )
    rate = record.di.sample_rate_hz
    for capture in record.captures:
        if capture.latency is None or capture.shift_samples is None:
            continue
        move = -capture.shift_samples
        invert = {1: "no", -1: "yes"}.get(capture.latency.polarity or 0, "")
        writer.writerow(
            [
                guarded(capture.id),
                guarded(capture.file),
                capture.channel,
                f"{move:.3f}",
                round(move),
                f"{move / rate * 1000.0:.4f}",
                invert,
                rate,
                _beyond(capture.latency, record.di),
            ]
        )
    return buffer.getvalue()


def _beyond(latency: Latency, di: DiResult) -> str:
    """Say what moving a whole file cannot mend; the aligned file is mended."""
    drift = drift_to_correct(latency.drift_ppm, di.frames / di.sample_rate_hz)
    said = [f"drift {drift:+.2f} ppm"] if drift else []
    said += [f"jump of {j.samples:+.0f} at {j.at_s:.2f} s" for j in latency.jumps]
    return "; ".join(said)
