"""Which files were recorded at the same time? Groups captures into passes.

Files of one pass have one length and arrive within the flight of sound from each
other. That alone also fits two passes of one night, so one more witness is needed:
the very same amp hiss in the DI's rests, or files written together, or one take
number. In doubt files stay apart: a wrong marriage costs timing, a wrong divorce
costs nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.day.naming import Named

SAME_LENGTH_S = 0.02
SAME_ARRIVAL_S = 0.04
"""Fourteen metres of air: no room microphone stands farther away."""
HISS_STANDS_OUT = 4.0
HISS_LONE = 1.6
_HISS_NEAR = 8
_HISS_FFT = 4096


@dataclass(frozen=True, slots=True)
class Taken:
    """What is known about a file for finding its pass.

    Parameters
    ----------
    seconds : float
        Its length.
    sample_rate_hz : int
        Its own rate.
    arrival_s : float
        Lag of its first capture.
    hiss : ndarray or None
        Of its first capture, see `looks.Look`.
    named : Named
        What its name says.
    given_pass : str or None
        Pass that the user's pattern read from the name.
    time_s : float or None
        When it was recorded or written; None when that tells nothing.
    """

    seconds: float
    sample_rate_hz: int
    arrival_s: float
    hiss: NDArray[np.complex64] | None
    named: Named
    given_pass: str | None
    time_s: float | None


@dataclass(frozen=True, slots=True)
class Group:
    """Files of one pass.

    Parameters
    ----------
    members : tuple of int
        Indices of the files, rising.
    why : str
        The witness, in words; empty for a file that stands alone.
    """

    members: tuple[int, ...]
    why: str


def telling_times(times_s: Sequence[float | None], di_seconds: float) -> list[bool]:
    """Say which times tell passes apart.

    Parameters
    ----------
    times_s : sequence of float or None
        When files were written, in seconds.
    di_seconds : float
        Length of the DI: passes cannot follow each other faster.

    Returns
    -------
    list of bool
        True throughout if the times fall into several clusters. A folder that was
        copied has one moment for all of its files, which tells nothing.
    """
    known = sorted(time for time in times_s if time is not None)
    apart = any(b - a > di_seconds / 2.0 for a, b in pairwise(known))
    return [apart and time is not None for time in times_s]


def shared_hiss(
    a: NDArray[np.complex64] | None, b: NDArray[np.complex64] | None
) -> bool:
    """Tell whether two captures hold the same noise in the DI's silences.

    Two microphones of one pass hear the same amp hiss; two passes never do, once the
    DI's own noise is taken off (`dsp.residual`). Mains buzz repeats and therefore has
    many peaks; a lone one is asked for.

    Parameters
    ----------
    a, b : ndarray of complex64, shape (windows, bins), or None
        Spectra of the same stretches of the DI's time.

    Returns
    -------
    bool
        False where nothing is known. The correlation (smoothed coherence transform,
        Knapp and Carter 1976) must stand out four times over its root mean square,
        at no lag to speak of, and 1.6 times over any other peak.
    """
    if a is None or b is None or a.shape[1] != b.shape[1]:
        return False
    count = min(len(a), len(b))
    if count < 2:
        return False
    a, b = a[:count], b[:count]
    power = np.sqrt((np.abs(a) ** 2).sum(axis=0) * (np.abs(b) ** 2).sum(axis=0))
    cross = (np.conj(a) * b).sum(axis=0)
    scot = np.divide(cross, power, out=np.zeros_like(cross), where=power > 0)
    # The band's envelope: its offset from zero frequency only turns the phase.
    size = max(_HISS_FFT, 2 * len(scot))
    curve = np.abs(np.fft.fft(scot, size))
    near = np.r_[0 : _HISS_NEAR + 1, size - _HISS_NEAR : size]
    beyond = np.delete(curve, np.r_[0 : 4 * _HISS_NEAR, size - 4 * _HISS_NEAR : size])
    spread = float(np.sqrt(np.mean(beyond**2)))
    peak = float(curve[near].max())
    return (
        spread > 0.0
        and peak >= HISS_STANDS_OUT * spread
        and peak >= HISS_LONE * float(beyond.max())
    )


def group_files(taken: Sequence[Taken], di_seconds: float) -> list[Group]:
    """Group files into passes.

    Parameters
    ----------
    taken : sequence of Taken
        One a file.
    di_seconds : float
        Length of the DI.

    Returns
    -------
    list of Group
        In the order of their first files; every file is in one group.
    """
    told = telling_times([one.time_s for one in taken], di_seconds)
    parent = list(range(len(taken)))
    why: dict[int, str] = {}

    def root(index: int) -> int:
        while parent[index] != index:
            index = parent[index]
        return index

    for j in range(len(taken)):
        for i in range(j):
            if root(i) == root(j):
                continue
            timed = told[i] and told[j]
            reason = _together(taken[i], taken[j], di_seconds, timed=timed)
            if reason:
                first, second = sorted((root(i), root(j)))
                parent[second] = first
                why.setdefault(first, reason)
    groups: dict[int, list[int]] = {}
    for index in range(len(taken)):
        groups.setdefault(root(index), []).append(index)
    return [
        Group(tuple(members), why.get(first, "") if len(members) > 1 else "")
        for first, members in groups.items()
    ]


def _together(a: Taken, b: Taken, di_seconds: float, *, timed: bool) -> str:
    """Name the witness that two files were recorded at once; empty for none."""
    if a.given_pass or b.given_pass:
        return "named so" if a.given_pass == b.given_pass else ""
    if (
        a.sample_rate_hz != b.sample_rate_hz
        or abs(a.seconds - b.seconds) > SAME_LENGTH_S
        or abs(a.arrival_s - b.arrival_s) > SAME_ARRIVAL_S
    ):
        return ""
    if shared_hiss(a.hiss, b.hiss):
        return "same length and arrival, the same amp hiss in the rests"
    same_track = a.named.rest == b.named.rest and a.named.take != b.named.take
    if timed and not same_track:
        near = abs((a.time_s or 0.0) - (b.time_s or 0.0)) <= di_seconds / 2.0
        return "same length and arrival, written together" if near else ""
    same_take = a.named.take is not None and a.named.take == b.named.take
    if not timed and same_take and a.named.rest != b.named.rest:
        return "same length and arrival, one take number"
    return ""
