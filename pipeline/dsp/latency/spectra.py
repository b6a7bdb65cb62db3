"""Spectra of DI and capture over the DI's clips, and what they agree on.

Everything later (excess phase, explained share, vote, drift) is computed from
these few arrays: per clip the two power spectra and the cross spectrum.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dsp.latency.reference import ACTIVE_DB, DiReference
from pipeline.dsp.latency.results import CaptureSource
from pipeline.dsp.spectrum import summed_power

# Hann frames at half overlap count as this share of independent ones (Welch
# 1967: the variance of the mean falls by 1.06 instead of 2).
INDEPENDENT_SHARE = 0.53


@dataclass(frozen=True, slots=True)
class ClipSpectra:
    """Summed spectra of each clip, after its own lag has been taken out.

    Attributes
    ----------
    freq_hz : NDArray[np.float64]
        Shape (bins,).
    sample_rate_hz : int
        Sampling rate in Hz.
    nfft : int
        Frame length in samples.
    start_frames : NDArray[np.int64]
        First DI frame of each clip, shape (clips,).
    lag_samples : NDArray[np.float64]
        The lag that was taken out of each clip, shape (clips,).
    power_di, power_capture : NDArray[np.float32]
        Shape (clips, bins).
    cross : NDArray[np.complex64]
        conj(DI) times capture, shape (clips, bins).
    frames : int
        Number of frames in the sum over all clips.
    """

    freq_hz: NDArray[np.float64]
    sample_rate_hz: int
    nfft: int
    start_frames: NDArray[np.int64]
    lag_samples: NDArray[np.float64]
    power_di: NDArray[np.float32]
    power_capture: NDArray[np.float32]
    cross: NDArray[np.complex64]
    frames: int

    def coherence(self) -> NDArray[np.float64]:
        """Squared coherence over all clips, freed from its bias, 0 to 1."""
        return debiased_coherence(
            self.power_di.sum(axis=0, dtype=np.float64),
            self.power_capture.sum(axis=0, dtype=np.float64),
            self.cross.sum(axis=0, dtype=np.complex128),
            self.frames,
        )


def debiased_coherence(
    power_di: NDArray[np.float64],
    power_capture: NDArray[np.float64],
    cross: NDArray[np.complex128],
    frames: int,
) -> NDArray[np.float64]:
    """Squared coherence, with the 1/n that unrelated noise shows taken off.

    Parameters
    ----------
    power_di, power_capture : NDArray[np.float64]
        Summed power spectra.
    cross : NDArray[np.complex128]
        Summed cross spectrum.
    frames : int
        Number of half-overlapped frames in the sums.

    Returns
    -------
    NDArray[np.float64]
        0 to 1. The floor of 1/n for n independent frames: Carter 1987.
    """
    raw = np.abs(cross) ** 2 / (power_di * power_capture + 1e-30)
    floor = 1.0 / max(INDEPENDENT_SHARE * frames, 2.0)
    return np.clip((raw - floor) / (1.0 - floor), 0.0, 0.9999)


def linear_frames(reference: DiReference) -> NDArray[np.complex64]:
    """Frames of the DI's clips as they are, silent frames zeroed.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.

    Returns
    -------
    NDArray[np.complex64]
        Shape (clips, frames, bins); kept in the reference.
    """
    kept = reference.memo.get("linear")
    if kept is None:
        grid = reference.grid
        kept = np.stack(
            [
                grid.frames_of(reference.di[s : s + grid.clip])
                for s in reference.starts.tolist()
            ]
        )
        power = np.einsum("cfb,cfb->cf", kept.real, kept.real)
        kept[power < power.max() * 10.0 ** (ACTIVE_DB / 10.0)] = 0.0
        reference.memo["linear"] = kept
    return kept


def clip_spectra(
    reference: DiReference,
    capture: CaptureSource,
    source: NDArray[np.complex64],
    lag_samples: NDArray[np.float64],
    *,
    slope: float = 0.0,
) -> ClipSpectra | None:
    """Sum the spectra of each clip that the capture holds in full.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    capture : CaptureSource
        The capture at the DI's rate.
    source : NDArray[np.complex64]
        Frames of the DI's clips, plain or through a front end, shape (clips,
        frames, bins).
    lag_samples : NDArray[np.float64]
        Lag to take out of each clip's middle, shape (clips,).
    slope : float
        Samples of lag per sample by which it changes within each clip.

    Returns
    -------
    ClipSpectra or None
        None if the capture holds no clip in full.
    """
    grid = reference.grid
    whole = np.floor(lag_samples).astype(np.int64)
    begins = reference.starts + whole
    held = np.flatnonzero((begins >= 0) & (begins + grid.clip <= capture.frames))
    if held.size == 0:
        return None
    shape = (held.size, grid.freq_hz.size)
    power_di = np.empty(shape, np.float32)
    power_capture = np.empty(shape, np.float32)
    cross = np.empty(shape, np.complex64)
    count = 0
    ramp = 2j * np.pi * grid.freq_hz / grid.sample_rate_hz
    away = (np.arange(source.shape[1]) * 2 - source.shape[1] + 1) * grid.hop / 2
    turn = np.exp(slope * away[:, np.newaxis] * ramp).astype(np.complex64)
    turned: dict[float, NDArray[np.complex128]] = {}
    for row, k in enumerate(held.tolist()):
        # Where the DI is silent its frames are zero: they add nothing to its own sums.
        mine = source[k]
        live = np.flatnonzero(mine[:, 3].real != 0.0)
        theirs = grid.frames_of(capture.read(int(begins[k]), grid.clip))
        power_di[row] = summed_power(mine)
        power_capture[row] = summed_power(
            theirs if live.size == len(theirs) else theirs[live]
        )
        if slope != 0.0:
            theirs *= turn
        # Products and sums of rows: three times as fast as a sum of products.
        product = np.conjugate(mine)
        product *= theirs
        left = float(lag_samples[k] - whole[k])
        if left not in turned:
            # A lag that rests asks for the same one for every clip.
            turned = {left: np.exp(ramp * left)}
        cross[row] = product.sum(axis=0) * turned[left]
        count += live.size
    return ClipSpectra(
        grid.freq_hz,
        grid.sample_rate_hz,
        grid.nfft,
        reference.starts[held],
        lag_samples[held],
        power_di,
        power_capture,
        cross,
        count,
    )
