"""The program's metrics find what the demo's physics hold."""

import numpy as np
import pytest

from pipeline.demo import players, rig
from pipeline.demo.air import Placement
from pipeline.demo.session import LOWER, UPPER, Pass, Take
from pipeline.demo.takes import Loud, record
from pipeline.dsp import spectrum, tone
from pipeline.dsp.activity import active_frames

RATE_HZ = 48_000
PLACES = {
    "centre": Placement("dynamic", UPPER, 0.0, 0.02),
    "edge": Placement("dynamic", UPPER, 0.035, 0.02),
    "cone": Placement("dynamic", UPPER, 0.08, 0.02),
    "angled": Placement("dynamic", UPPER, 0.035, 0.02, 45.0),
    "ribbon": Placement("dark", UPPER, 0.035, 0.02),
    "boards": Placement("bright", LOWER, 0.0, 0.3),
    "blanket": Placement("bright", LOWER, 0.0, 0.3, floor="blanket"),
}


@pytest.fixture(scope="module")
def spectra():
    dry = players.play(players.phrase(), np.random.default_rng(11))
    loud = Loud(rig.amplify(dry, rig.AMPS["high"]), "high")
    takes = tuple(Take(name, place) for name, place in PLACES.items())
    tracks = record(Pass("p", "high", 0.0, takes), loud, np.random.default_rng(12))
    active = active_frames(dry.astype(np.float32), RATE_HZ).active
    return {
        take.id: spectrum.average_spectrum(
            track[1190 : 1190 + len(dry)], RATE_HZ, active
        )
        for take, track in zip(takes, tracks, strict=True)
    }


@pytest.mark.parametrize(
    ("brighter", "darker"),
    [("centre", "edge"), ("edge", "cone"), ("edge", "angled"), ("edge", "ribbon")],
)
def test_places_and_microphones_in_the_order_of_the_trade(spectra, brighter, darker):
    # Common practice, no source: centre over edge over cone, on axis over 45
    # degrees, dynamic over ribbon.
    one, other = spectra[brighter], spectra[darker]
    assert tone.brightness_hz(one) > tone.brightness_hz(other)
    assert tone.tilt_db_per_octave(one) > tone.tilt_db_per_octave(other)
    assert tone.presence_db(one) > tone.presence_db(other)
    assert tone.fizz_db(one) > tone.fizz_db(other)


def test_the_comb_of_the_floor_shallows_under_a_blanket(spectra):
    # Image source at 0.3 m and 0.31 m height: the reflection swings the level by
    # some dB from peak to notch; a blanket takes the treble's part of that away. The
    # difference of the two captures therefore ripples.
    boards, blanket = (
        spectrum.smoothed_spectrum(spectra[name])[1] for name in ("boards", "blanket")
    )
    hz = spectrum.smoothed_spectrum(spectra["boards"])[0]
    band = (hz > 400) & (hz < 4000)
    ripple = np.std((boards - blanket)[band])
    near = spectrum.erb_band_levels(spectra["boards"])
    far = spectrum.erb_band_levels(spectra["blanket"])
    assert ripple > 0.3
    assert 0.2 < spectrum.spectral_distance_db(near, far) < 6.0
