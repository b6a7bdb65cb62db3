"""What a file would hold had it been recorded at another rate.

Resampling is done with soxr at very high quality, in blocks that lie on a fixed
grid: every output sample belongs to one block and is always computed from the
same input samples, so the result does not depend, in any bit, on how it is read.

A block starts where an input and an output sample coincide (every
``native / gcd`` input samples), so nothing is delayed. `MARGIN` input samples
on each side feed the filter and are then dropped; with a quarter of them the
result already stays within 3e-8 of full scale of one long conversion. For the
rates of the trade (and 0.1 percent off them) the delay is under 1e-9 sample; for
a ratio of large numbers soxr interpolates its filter: under 1e-5 sample.
"""

import math
from collections.abc import Callable

import numpy as np
import soxr
from numpy.typing import NDArray

BLOCK = 131_072
MARGIN = 1_024

Reader = Callable[[int, int], NDArray[np.float32]]


def resampled_frames(frames: int, native_hz: int, wanted_hz: int) -> int:
    """Count the output samples that lie within the file's time.

    Parameters
    ----------
    frames : int
        Length in samples at `native_hz`.
    native_hz, wanted_hz : int
        Sample rates.

    Returns
    -------
    int
        Samples k with k / `wanted_hz` < `frames` / `native_hz`.
    """
    return -(-frames * wanted_hz // native_hz)


class Resampler:
    """Samples of a reader at another rate, in reach of random access.

    Parameters
    ----------
    read : callable
        ``read(start, frames)`` gives float32 samples at `native_hz`, zero
        outside the file.
    native_hz, wanted_hz : int
        Sample rates.
    """

    def __init__(self, read: Reader, native_hz: int, wanted_hz: int) -> None:
        common = math.gcd(native_hz, wanted_hz)
        self._read = read
        self._native_hz, self._wanted_hz = native_hz, wanted_hz
        self._period_in, self._period_out = native_hz // common, wanted_hz // common
        # Going down, the filter is longer by the ratio of the rates.
        reach = MARGIN * max(1, math.ceil(native_hz / wanted_hz))
        self._margin = math.ceil(reach / self._period_in)
        longest = max(self._period_in, self._period_out)
        self._periods = max(BLOCK // longest, 2 * self._margin)
        self._kept: tuple[int, NDArray[np.float32]] | None = None

    def _block(self, number: int) -> NDArray[np.float32]:
        if self._kept is not None and self._kept[0] == number:
            return self._kept[1]
        first = (number * self._periods - self._margin) * self._period_in
        count = (self._periods + 2 * self._margin) * self._period_in
        wide = soxr.resample(
            self._read(first, count), self._native_hz, self._wanted_hz, quality="VHQ"
        )
        skip = self._margin * self._period_out
        block = np.asarray(wide, np.float32)[
            skip : skip + self._periods * self._period_out
        ]
        self._kept = (number, block)
        return block

    def read(self, start: int, frames: int) -> NDArray[np.float32]:
        """Read samples at the wanted rate.

        Parameters
        ----------
        start : int
            First sample, counted at the wanted rate; may be negative.
        frames : int
            Number of samples.

        Returns
        -------
        ndarray, shape (frames,), float32
            Sample k lies at the time k / wanted rate: no delay.
        """
        size = self._periods * self._period_out
        out = np.empty(frames, dtype=np.float32)
        done = 0
        while done < frames:
            number, inside = divmod(start + done, size)
            count = min(frames - done, size - inside)
            out[done : done + count] = self._block(number)[inside : inside + count]
            done += count
        return out
