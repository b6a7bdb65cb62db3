"""The backing track on the page: what is told of it, and what its player needs."""

import math
from typing import Any

from pipeline.models.record import ContextResult, Record
from pipeline.report import text
from pipeline.units import amplitude_from_db, db_from_amplitude

MOST_LEVEL_DB = 6
"""As far as the page lets the track be turned up."""
LEAST_LEVEL_DB = -24
_CHANNELS = {1: "mono", 2: "stereo"}
_SAME_DB = 0.05


def _level(found: ContextResult, captures_lufs: float) -> str:
    over = found.lufs - captures_lufs
    level = text.number(found.lufs, 1, "LUFS")
    if abs(over) < _SAME_DB:
        against = "as loud as the captures"
    else:
        word = "above" if over > 0 else "below"
        against = f"{text.number(abs(over), 1, 'dB')} {word} the captures"
    told = f"{level}, {against}"
    if found.asked_db - over < _SAME_DB:
        return told
    asked = text.signed(found.asked_db, 1, "dB")
    return f"{told} (asked for {asked}; its peaks allow no more)"


def track_sentence(record: Record) -> str | None:
    """Say what plays along, how loud and from where.

    Parameters
    ----------
    record : Record
        The session.

    Returns
    -------
    str or None
        One or two sentences; None without a track.
    """
    found = record.context
    if found is None:
        return None
    rate = text.number(found.sample_rate_hz / 1000, 1, "kHz")
    level = _level(found, record.loudness.effective_target_lufs)
    start = text.number(found.offset_s, 3, "s")
    told = (
        f"The backing track {found.file} ({rate}, {_CHANNELS[found.channels]}) plays "
        f"along at {level}; the DI starts at {start} of it."
    )
    seconds = record.di.frames / record.di.sample_rate_hz
    if found.begins_s == 0 and math.isclose(found.ends_s, seconds, abs_tol=1e-4):
        return told
    begins, ends = text.number(found.begins_s, 2), text.number(found.ends_s, 2, "s")
    return f"{told} It covers {begins} to {ends} of the DI."


def _highest_dbtp(record: Record) -> float:
    """Highest true peak of all that can be chosen, after gain."""
    level = record.loudness
    sounds = [one.loudness for one in record.captures if one.loudness]
    sounds += [one.loudness for one in record.blends]
    peaks = [one.true_peak_dbtp for one in sounds]
    di = record.di
    if di.true_peak_dbtp is not None and di.lufs is not None:
        levelled = di.true_peak_dbtp + level.effective_target_lufs - di.lufs
        peaks.append(min(levelled, level.max_true_peak_dbtp))
    return max((peak for peak in peaks if peak is not None), default=-math.inf)


def room_db(record: Record) -> float:
    """How much lower the page plays so that choice and track together do not clip.

    What a listener adds by ear, trims and half a decibel for "is it just louder?",
    comes on top and may clip.

    Parameters
    ----------
    record : Record
        The session.

    Returns
    -------
    float
        0 or less: minus what the highest peak of any choice and that of the track,
        turned up as far as the page lets it be, exceed full scale by if they fall
        together. Constant, so that switching the track changes nothing else.
    """
    if record.context is None:
        return 0.0
    track = record.context.true_peak_dbtp + MOST_LEVEL_DB
    highest = _highest_dbtp(record)
    choice = amplitude_from_db(highest) if math.isfinite(highest) else 0.0
    return min(0.0, -db_from_amplitude(choice + amplitude_from_db(track)))


def track_sound(record: Record) -> dict[str, Any] | None:
    """Everything that the player needs to play the track along.

    Parameters
    ----------
    record : Record
        The session.

    Returns
    -------
    dict or None
        None without a track, or without its copy.
    """
    found = record.context
    if found is None or found.listen is None:
        return None
    return {
        "listen": text.link(found.listen),
        "file": found.listen,
        "channels": found.channels,
        "room": round(room_db(record), 3),
    }
