"""What of a capture's spectra does the dry DI not explain, window by window?

A DI carries noise of its own, which every pass plays again: where the DI rests, two
passes hold the same noise for that reason alone. What a linear chain makes of the DI
is fitted per frequency over all windows and taken off; what was added later, the amp's
own hiss, stays. (Conditioned spectra: Bendat and Piersol, Random Data, from memory.)
"""

import numpy as np
from numpy.typing import NDArray

MOST_BINS = 7
"""A response that is long against the window reaches into neighbouring bins: a room
microphone needs seven of them at 0.17 s."""
_WINDOWS_A_BIN = 3


def unexplained(
    spectra: NDArray[np.complexfloating], dry: NDArray[np.complexfloating]
) -> NDArray[np.complex128]:
    """Take off what a linear chain makes of the DI.

    Parameters
    ----------
    spectra : ndarray of complex, shape (windows, bins)
        Of the capture, on the DI's time.
    dry : ndarray of complex, shape (windows, bins)
        Of the DI in the same windows.

    Returns
    -------
    ndarray of complex128, shape (windows, bins)
        What is left after a least-squares fit of every bin by the DI's nearest bins,
        as many as there are windows for. A DI of digital silence explains nothing.
    """
    left = np.asarray(spectra, dtype=np.complex128)
    windows = len(dry)
    if windows < 2 or not np.any(dry):
        return left
    reach = (min(MOST_BINS, max(1, windows // _WINDOWS_A_BIN)) - 1) // 2
    around = np.pad(np.asarray(dry, dtype=np.complex128), ((0, 0), (reach, reach)))
    width = 2 * reach + 1
    # shape (bins, windows, width): the DI around every bin
    known = np.lib.stride_tricks.sliding_window_view(around, width, axis=1)
    known = known.transpose(1, 0, 2)
    target = left.T[:, :, None]
    fitted = known @ (np.linalg.pinv(known) @ target)
    return np.asarray((target - fitted)[:, :, 0].T)
