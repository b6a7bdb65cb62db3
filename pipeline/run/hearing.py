"""A recording from elsewhere, in the terms in which the library compares it."""

from pathlib import Path

import numpy as np

from pipeline.client.reference import hear_recording
from pipeline.dsp.spectrum import third_octave_levels
from pipeline.library.heard import Heard
from pipeline.stages.axes import third_octave_axis


def hear_file(path: Path) -> Heard:
    """Measure the average spectrum of a recording where it plays.

    Parameters
    ----------
    path : Path
        Any audio file; an `AudioError` says why `hear_recording` cannot use it.

    Returns
    -------
    Heard
        Third-octave levels.
    """
    spectrum = hear_recording(path).spectrum
    axis = third_octave_axis(round(2 * spectrum.freq_hz[-1]))
    levels = third_octave_levels(spectrum)[: len(axis)]
    return Heard(
        third_octave_hz=tuple(band.centre_hz for band in axis),
        third_octave_db=tuple(np.round(levels, 3).tolist()),
    )
