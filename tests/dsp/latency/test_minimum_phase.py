"""Excess phase against closed forms of analogue filters (Oppenheim, Schafer)."""

import numpy as np
import pytest

from pipeline.dsp.latency.minimum_phase import Band, Colour, minimum_phase


@pytest.mark.parametrize("corner_hz", [800.0, 2500.0])
def test_phase_of_first_order_low_pass(corner_hz):
    # Closed form: the phase of 1 / (1 + j f / fc) is -atan(f / fc).
    freq = 20.0 * 2.0 ** (np.arange(240) / 24)
    colour = Colour(freq, -0.5 * np.log1p((freq / corner_hz) ** 2), np.ones(240))
    band = Band(float(freq[0]), float(freq[-1]))
    wanted = np.array([500.0, 1000.0, 2000.0, 4000.0])
    phase = minimum_phase(colour, band, wanted)
    # The continuation above the band is a guess: a pure delay of up to 1.5
    # samples at 48 kHz may be left, but nothing that bends with frequency.
    rest = phase + np.arctan(wanted / corner_hz)
    delay = -rest / (2 * np.pi * wanted) * 48000
    assert np.abs(delay - delay.mean()).max() < 0.35
    assert abs(delay.mean()) < 1.5
