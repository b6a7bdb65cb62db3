"""Linear responses from the sweeps of a session's play-out captures.

On the aligned files' time: convolved with the DI, a response gives the aligned file,
with the time between the microphones of a pass kept.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.harmonics import read_sweep
from pipeline.errors import ReampsError
from pipeline.files.audio import sha256_of
from pipeline.files.manifest import read_plan
from pipeline.models.plan import CapturePlan
from pipeline.models.playout import Layout
from pipeline.models.record import Capture
from pipeline.run.playing import find_played
from pipeline.stages.cut import cut_to_di
from pipeline.stages.latency import drift_to_correct
from pipeline.stages.playout import SWEEP_TAIL_S, sweep_of
from pipeline.stages.read import SourceSpec, open_source
from pipeline.units import amplitude_from_db

_LEAD_S = 0.1


@dataclass(frozen=True, slots=True)
class SweptSession:
    """Where the sweeps of a session lie.

    Parameters
    ----------
    di : Path
        The DI.
    captures : mapping of str to CapturePlan
        By id.
    layout : Layout or None
        What was played; None where no play-out file is known.
    """

    di: Path
    captures: Mapping[str, CapturePlan]
    layout: Layout | None


def read_swept(manifest: Path) -> SweptSession:
    """Find the sweeps of a session.

    Parameters
    ----------
    manifest : Path
        Its manifest; a `ManifestError` lists its mistakes.

    Returns
    -------
    SweptSession
        The DI, the captures and what was played.
    """
    plan = read_plan(manifest)
    played = find_played(plan, sha256_of(plan.di_path))
    by_id = {capture.id: capture for capture in plan.captures}
    return SweptSession(plan.di_path, by_id, played.layout)


def sweep_taps(
    session: SweptSession, capture: Capture
) -> tuple[NDArray[np.float64], int] | None:
    """Read the linear response of a capture's sweep.

    Parameters
    ----------
    session : SweptSession
        Where it lies.
    capture : Capture
        Of the record, with its output.

    Returns
    -------
    tuple of (ndarray of float64, int) or None
        Taps at the level of the aligned file, and the sample at which lag 0 sits; None
        where no sweep was recorded.

    Raises
    ------
    ReampsError
        If the manifest does not know the capture.
    """
    layout = session.layout
    if layout is None or layout.sweep is None:
        return None
    swept = capture.playout is not None and capture.playout.sweep is not None
    latency, loudness, shift = capture.latency, capture.loudness, capture.shift_samples
    if not swept or latency is None or loudness is None or shift is None:
        return None
    if capture.id not in session.captures:
        message = f"{capture.id}: the manifest has no capture of this id"
        raise ReampsError(message)
    rate = layout.sample_rate_hz
    sweep = sweep_of(layout.sweep, rate)
    lead = round(_LEAD_S * rate)
    drift = drift_to_correct(latency.drift_ppm, layout.di_frames / rate)
    # The shift holds at the DI's first frame; the sweep lies ahead of that.
    ahead = layout.di_start - layout.sweep.start + lead
    planned = session.captures[capture.id]
    with open_source(SourceSpec(planned.path, planned.written.channel, rate)) as source:
        part = cut_to_di(
            source,
            shift - ahead - 1e-6 * drift * ahead,
            frames=lead + sweep.frames + round(SWEEP_TAIL_S * rate),
            sample_rate_hz=rate,
            drift_ppm=drift,
        )
    gain = amplitude_from_db(loudness.gain_db) / layout.sweep.amplitude
    found = read_sweep(gain * part.astype(np.float64), sweep, float(lead))
    return found.taps, found.pre_samples
