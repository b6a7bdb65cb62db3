"""How does the backing track go with the captures? Its span, its level, its copy.

The track is brought to the DI's time and to a loudness held to the captures'. A
capture is one channel that both loudspeakers play, so a track of two channels is
measured with their power averaged: 0 dB against the captures is as loud as they are,
whether the track is mono or stereo.

Its own true peak stays under the session's ceiling, else it is turned down. That the
sum of track and capture does not clip is the page's care: it plays everything lower by
as much as the highest peak of any choice and that of the track could exceed full scale
if they fell together.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.dither import to_16_bits
from pipeline.dsp.loudness import loudness_cells
from pipeline.dsp.true_peak import true_peak
from pipeline.errors import AudioError
from pipeline.models.manifest import Context
from pipeline.models.record import Finding, LoudnessTarget
from pipeline.units import amplitude_from_db, db_from_amplitude

MOST_CHANNELS = 2
LEAST_S = 1.0
"""A track that covers less of the DI's time than this does not play along."""
_GUARD_DB = 0.01
_OFFSET_FIX = "Check offset_s and file in [context]."


@dataclass(frozen=True, slots=True)
class Span:
    """Which frames of the track lie on the DI's frames.

    Parameters
    ----------
    start : int
        Frame of the track, at the DI's rate, at which the DI starts; may be negative.
    first, last : int
        Frames of the DI between which there is track.
    """

    start: int
    first: int
    last: int


def place_track(
    written: Context, track_frames: int, di_frames: int, sample_rate_hz: int
) -> Span | Finding:
    """Lay the track onto the DI's time.

    Parameters
    ----------
    written : Context
        What the manifest says.
    track_frames, di_frames : int
        Lengths at the DI's rate.
    sample_rate_hz : int
        The DI's rate.

    Returns
    -------
    Span or Finding
        To the nearest frame; a finding where less than a second of the DI's time is
        covered.
    """
    start = round(written.offset_s * sample_rate_hz)
    first, last = max(0, -start), min(di_frames, track_frames - start)
    if last - first >= LEAST_S * sample_rate_hz:
        return Span(start, first, last)
    ends = written.offset_s + di_frames / sample_rate_hz
    message = (
        f"The backing track {written.file} does not play along: the DI takes it from "
        f"{written.offset_s:.2f} to {ends:.2f} s, and it lasts from 0 to "
        f"{track_frames / sample_rate_hz:.2f} s. At least {LEAST_S:.0f} s in common is "
        "needed."
    )
    return Finding(code="no_overlap", severity="warn", message=message, fix=_OFFSET_FIX)


@dataclass(frozen=True, slots=True)
class Fitted:
    """The track at its level.

    Parameters
    ----------
    samples : ndarray of float32, shape (DI's frames, channels)
        After gain.
    source_lufs : float
        Before gain, power of the channels averaged.
    gain_db : float
        The one static gain.
    true_peak_dbtp : float
        After gain, of the higher channel.
    """

    samples: NDArray[np.float32]
    source_lufs: float
    gain_db: float
    true_peak_dbtp: float


def fit_track(
    samples: NDArray[np.float32],
    written: Context,
    target: LoudnessTarget,
    sample_rate_hz: int,
) -> Fitted | Finding:
    """Bring the track to its loudness against the captures.

    Parameters
    ----------
    samples : ndarray of float32, shape (DI's frames, one or two channels)
        On the DI's time, finite; the gain is applied in place, an hour of two
        channels is large.
    written : Context
        With the wanted level against the captures.
    target : LoudnessTarget
        Level of the captures, and the ceiling.
    sample_rate_hz : int
        The DI's rate.

    Returns
    -------
    Fitted or Finding
        A finding where the track is silent while the DI plays.
    """
    shares = (1.0 / samples.shape[1],) * samples.shape[1]
    lufs = loudness_cells(samples, sample_rate_hz, shares).loudness().integrated_lufs
    if lufs is None:
        message = (
            f"The backing track {written.file} is silent where the DI plays: nothing "
            f"of it is above -70 LUFS from {written.offset_s:.2f} s on."
        )
        return Finding(code="silent", severity="warn", message=message, fix=_OFFSET_FIX)
    columns = map(np.ascontiguousarray, samples.T)
    peak = max(true_peak(channel, sample_rate_hz) for channel in columns)
    peak_dbtp = db_from_amplitude(peak)
    wanted = target.effective_target_lufs + written.gain_db - lufs
    gain = min(wanted, target.max_true_peak_dbtp - peak_dbtp - _GUARD_DB)
    samples *= np.float32(amplitude_from_db(gain))
    return Fitted(samples, lufs, gain, peak_dbtp + gain)


def copy_track(fitted: Fitted) -> NDArray[np.int16]:
    """Round the track to the 16 bits that the page plays.

    Parameters
    ----------
    fitted : Fitted
        The track at its level.

    Returns
    -------
    ndarray of int16, shape (DI's frames, channels)
        Each channel has dither of its own.
    """
    return to_16_bits(fitted.samples.ravel()).reshape(fitted.samples.shape)


def unusable(written: Context, error: AudioError) -> Finding:
    """Say that the track cannot be read; the night goes on without it.

    Parameters
    ----------
    written : Context
        What the manifest says.
    error : AudioError
        What is wrong with the file.

    Returns
    -------
    Finding
        Under the error's code, with what to do.
    """
    fix = {
        "missing": "Put the file there, or correct its path in [context].",
    }.get(error.code, "Export it again as WAV, AIFF or FLAC.")
    message = f"The backing track {written.file} does not play along. {error}"
    return Finding(code=error.code, severity="warn", message=message, fix=fix)
