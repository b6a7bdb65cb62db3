"""What any recording sounds like, as far as it can be told without its DI."""

from pathlib import Path

import numpy as np

from pipeline.dsp.activity import active_frames
from pipeline.dsp.spectrum import average_spectrum, third_octave_levels
from pipeline.errors import AudioError
from pipeline.files.audio import ChannelSource, probe
from pipeline.library.heard import Heard
from pipeline.stages.axes import third_octave_axis

_LONGEST_S = 600.0
_LEAST_DB = -300.0
_CODE = "too_short"
_DAMAGED = "not_finite"


def hear_file(path: Path) -> Heard:
    """Measure the average spectrum of a recording where it plays.

    Parameters
    ----------
    path : Path
        Any audio file; the channels are averaged in power, of long files the first
        ten minutes are taken.

    Returns
    -------
    Heard
        Third-octave levels.

    Raises
    ------
    AudioError
        If the file cannot be read, nothing plays in it, or a sample is no number.
    """
    info = probe(path)
    rate = info.sample_rate_hz
    axis = third_octave_axis(rate)
    power = np.zeros(len(axis))
    for channel in range(1, info.channels + 1):
        with ChannelSource(path, channel) as source:
            samples = source.read(0, min(source.frames, int(_LONGEST_S * rate)))
        if not np.isfinite(samples).all():
            message = (
                f"{path}: channel {channel} holds samples that are no numbers. Export "
                "the file again."
            )
            raise AudioError(_DAMAGED, message)
        spectrum = average_spectrum(samples, rate, active_frames(samples, rate).active)
        if spectrum is not None:
            levels = third_octave_levels(spectrum)[: len(axis)]
            power += 10.0 ** (levels / 10.0)
    if not power.any():
        message = f"{path}: nothing plays long enough in it to be compared."
        raise AudioError(_CODE, message)
    levels = 10.0 * np.log10(np.maximum(power, 10.0 ** (_LEAST_DB / 10.0)))
    return Heard(
        third_octave_hz=tuple(band.centre_hz for band in axis),
        third_octave_db=tuple(np.round(levels, 3).tolist()),
    )
