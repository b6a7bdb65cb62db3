"""The levelled file: aligned samples, one static gain, 24 bits."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.dither import to_16_bits
from pipeline.files.atomic import replace_with
from pipeline.files.bext import BextFields, coding_history_line
from pipeline.files.wave_chunks import write_wave_24
from pipeline.models.record import LoudnessResult, Output
from pipeline.units import amplitude_from_db


def describe_output(
    description: str,
    loudness: LoudnessResult,
    sample_rate_hz: int,
    origin: BextFields | None,
) -> BextFields:
    """Fill the broadcast extension of an output.

    Parameters
    ----------
    description : str
        What the file is.
    loudness : LoudnessResult
        After gain.
    sample_rate_hz : int
        Rate of the file.
    origin : BextFields or None
        The DI's own extension: its date, time and time reference carry over, so that
        an editor places the file where the DI lies.

    Returns
    -------
    BextFields
        EBU Tech 3285, version 2.
    """
    origin = origin or BextFields()
    return BextFields(
        description=description,
        originator="reamps",
        origination_date=origin.origination_date,
        origination_time=origin.origination_time,
        time_reference_samples=origin.time_reference_samples,
        loudness_value_lufs=loudness.lufs,
        loudness_range_lu=loudness.lra_lu,
        max_true_peak_dbtp=loudness.true_peak_dbtp,
        max_momentary_lufs=loudness.max_momentary_lufs,
        max_short_term_lufs=loudness.max_short_term_lufs,
        coding_history=(
            coding_history_line(
                sample_rate_hz, f"aligned to the DI; gain {loudness.gain_db:+.2f} dB"
            ),
        ),
    )


def write_output(
    aligned: NDArray[np.float32],
    gain_db: float,
    path: Path,
    *,
    relative: str,
    sample_rate_hz: int,
    bext: BextFields,
    wrap: Callable[[NDArray[np.int16]], memoryview] | None = None,
    listen: Path | None = None,
) -> Output:
    """Write aligned samples with their gain.

    Parameters
    ----------
    aligned : ndarray of float32, shape (frames,)
        Before gain.
    gain_db : float
        The one static gain.
    path : Path
        Where to write.
    relative : str
        The same, as the record names it.
    sample_rate_hz : int
        Rate of the file.
    bext : BextFields
        Broadcast extension.
    wrap : callable, optional
        Turns 16-bit samples into the script that a page can load.
    listen : Path, optional
        Where that script goes.

    Returns
    -------
    Output
        Written aside, verified and renamed; the listening copy first, so that a file
        that is there has one.
    """
    gain = amplitude_from_db(gain_db)
    if wrap is not None and listen is not None:
        replace_with(listen, wrap(to_16_bits(aligned, gain)))
    written = write_wave_24(path, aligned, sample_rate_hz, bext, gain=gain)
    return Output(file=relative, sha256=written.sha256, frames=written.frames)
