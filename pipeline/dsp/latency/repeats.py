"""Samples of a file that only repeat what was there before.

A recorder that runs short of samples puts the last block in once more, or holds
its last sample, or writes zeros. Noise never repeats itself, so the block shows
even where nobody plays. Hum does repeat itself; a second difference takes it out.
"""

import numpy as np
from numpy.typing import NDArray

SHORTEST = 8
# Dither of 24 bits is far below the noise of any capture.
REPEATED = 3e-3


def find_repeat(samples: NDArray[np.floating], count: int) -> int | None:
    """Find a block that repeats the block, or the sample, before it.

    Parameters
    ----------
    samples : NDArray
        The stretch to look through, with `count` samples more before it and
        twice `count` after it; shape (n + 3 count,).
    count : int
        Length of the block in samples.

    Returns
    -------
    int or None
        First sample of the block, from the stretch's first; None if no block
        stands out, or blocks of less than 8 samples are asked for.
    """
    held, places = count - 2, samples.size - 3 * count + 1
    if count < SHORTEST or places < 1:
        return None
    bent = np.diff(samples.astype(np.float64), 2)

    def power(values: NDArray[np.float64]) -> NDArray[np.float64]:
        total = np.concatenate([[0.0], np.cumsum(values**2)])
        return np.asarray(total[held:] - total[:-held])

    level = power(bent) + 1e-30
    before, here, behind = (level[k * count :][:places] for k in range(3))
    again = power(bent[count:] - bent[:-count])[:places] / (here + before)
    stuck = here / np.minimum(before, behind)
    for share in (again, stuck):
        place = int(np.argmin(share))
        if share[place] < REPEATED * min(float(np.median(share)), 1.0):
            return place
    return None
