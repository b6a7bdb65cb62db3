"""When a distorted capture happened against its DI, and whether it is this DI.

The capture is modelled as colour(amp(DI(t - latency))) + noise, where the
colours are minimum phase with their onset at zero. The latency is then the
delay of the all-pass part of the response: time of flight plus converters.
Sign of lag: positive = the capture is late. Samples count at the DI's rate.
"""

from pipeline.dsp.latency.estimate import estimate_latency
from pipeline.dsp.latency.reference import MIN_RATE_HZ, DiReference, prepare_di
from pipeline.dsp.latency.results import (
    ArraySource,
    CaptureSource,
    ExpectedLag,
    FrontEnd,
    Jump,
    LagPoint,
    LatencyEstimate,
    SecondPath,
    Verdict,
)
from pipeline.dsp.latency.speed import speed_ratio

__all__ = [
    "MIN_RATE_HZ",
    "ArraySource",
    "CaptureSource",
    "DiReference",
    "ExpectedLag",
    "FrontEnd",
    "Jump",
    "LagPoint",
    "LatencyEstimate",
    "SecondPath",
    "Verdict",
    "estimate_latency",
    "prepare_di",
    "speed_ratio",
]
