"""What is said of a capture that was found on the DI's time."""

import math

from pipeline.dsp.latency import ArraySource, prepare_di
from pipeline.stages.latency import locate
from tests.dsp.latency.test_estimate import RATE, plucked, rig
from tests.dsp.latency.test_second_path import two_paths


def test_a_louder_later_path_is_named_with_its_delay_and_level():
    di = plucked(6, 10.0)
    take = two_paths(rig(di, 8.0), 96, -1.8)
    found = locate(prepare_di(di, RATE), ArraySource(take))
    (finding,) = (f for f in found.findings if f.code == "second_path")
    assert finding.severity == "note"
    assert f"{96 / RATE * 1e3:.2f} ms" in finding.message
    assert f"{20 * math.log10(1.8):.0f} dB louder" in finding.message
    assert "opposite polarity" in finding.message
