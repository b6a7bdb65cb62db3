"""How stretches of sound are cut into frames and Fourier transformed."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import NDArray

FRAME_S = 0.0853
CLIP_FRAMES = 8
TOP_HZ = 20000.0


@lru_cache(maxsize=8)
def _hann(frames: int) -> NDArray[np.float32]:
    """Periodic Hann window."""
    return np.asarray(np.hanning(frames + 1)[:-1], dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Grid:
    """How stretches of sound are cut into frames and Fourier transformed.

    Attributes
    ----------
    sample_rate_hz : int
        Sampling rate in Hz.
    nfft : int
        Frame length in samples, a power of two near 85 ms.
    """

    sample_rate_hz: int
    nfft: int

    @property
    def hop(self) -> int:
        """Step from frame to frame: half a frame."""
        return self.nfft // 2

    @property
    def clip(self) -> int:
        """Length of a clip in samples."""
        return self.nfft * CLIP_FRAMES

    @property
    def freq_hz(self) -> NDArray[np.float64]:
        """Frequencies of a frame's spectrum, up to 20 kHz at most."""
        step = self.sample_rate_hz / self.nfft
        return np.linspace(0.0, (self.bins - 1) * step, self.bins)

    @property
    def bins(self) -> int:
        """Number of frequencies of a frame's spectrum."""
        step = self.sample_rate_hz / self.nfft
        return min(self.nfft // 2, int(TOP_HZ / step)) + 1

    def frames_of(self, samples: NDArray[np.floating]) -> NDArray[np.complex64]:
        """Spectra of the Hann-weighted frames of a stretch of sound.

        Parameters
        ----------
        samples : NDArray
            Shape (n,), n at least `nfft`.

        Returns
        -------
        NDArray[np.complex64]
            Shape (frames, bins), up to 20 kHz.
        """
        window, hop = _hann(self.nfft), self.hop
        # Each row of half a frame is the end of one frame and the start of the next.
        rows = samples[: samples.size // hop * hop].reshape(-1, hop)
        frames = np.empty((len(rows) - 1, self.nfft), dtype=np.float32)
        np.multiply(rows[:-1], window[:hop], out=frames[:, :hop], casting="same_kind")
        np.multiply(rows[1:], window[hop:], out=frames[:, hop:], casting="same_kind")
        spectra: NDArray[np.complex64] = scipy.fft.rfft(
            frames, axis=1, overwrite_x=True
        )
        return spectra[:, : self.bins]


def grid_for(sample_rate_hz: int) -> Grid:
    """Framing for a sampling rate.

    Parameters
    ----------
    sample_rate_hz : int
        Sampling rate in Hz.

    Returns
    -------
    Grid
        Frames of about 85 ms, a power of two.
    """
    return Grid(sample_rate_hz, int(2 ** round(np.log2(FRAME_S * sample_rate_hz))))
