"""How two microphones of one pass relate: delay, polarity, response.

Both hear the same amplifier, so whatever its gain one is a linear image of the
other. `relate_mics` measures that image directly, microphone to microphone.
"""

from pipeline.dsp.pairs.families import Families, Reading, odds_from_others
from pipeline.dsp.pairs.relate import PairEcho, PairEstimate, relate_mics
from pipeline.dsp.pairs.spectra import PairSpectra

__all__ = [
    "Families",
    "PairEcho",
    "PairEstimate",
    "PairSpectra",
    "Reading",
    "odds_from_others",
    "relate_mics",
]
