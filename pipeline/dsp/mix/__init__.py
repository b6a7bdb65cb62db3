"""What microphones of one pass give when they are added.

Answers "what does the sum do, what would alignment or a flip change, which ratio
is best, which gains come nearest to a wanted tone, and what should one do at the
amp". Polarity and delay are kept apart: a flip is no cure for a delay. Levels of a
sum are in dB against the power sum of its parts, so that +3.01 is two equal signals
in step, 0 is two unrelated ones and anything below 0 is loss. Delays are in seconds,
positive = b later than a.

The rule of three to one is about several sources with a microphone each; it says
nothing about two microphones on one speaker and is not applied here.
"""

from pipeline.dsp.mix.advice import LEAST_CONFIDENCE, ROOM_MM, Advice, advise_pair
from pipeline.dsp.mix.blends import BestRatio, best_ratio, blend
from pipeline.dsp.mix.curves import SumCurve, SumCurves, sum_curve, sum_curves
from pipeline.dsp.mix.nearest import MOST_MICS, NearestGains, nearest_gains
from pipeline.dsp.mix.several import (
    MicSpectra,
    MixPart,
    gather_pairs,
    sum_of_several,
)

__all__ = [
    "LEAST_CONFIDENCE",
    "MOST_MICS",
    "ROOM_MM",
    "Advice",
    "BestRatio",
    "MicSpectra",
    "MixPart",
    "NearestGains",
    "SumCurve",
    "SumCurves",
    "advise_pair",
    "best_ratio",
    "blend",
    "gather_pairs",
    "nearest_gains",
    "sum_curve",
    "sum_curves",
    "sum_of_several",
]
