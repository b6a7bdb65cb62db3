"""Colours against textbook filters."""

import numpy as np
import pytest

from pipeline.demo import colour

RESPONSE_HZ = np.fft.rfftfreq(colour.RESPONSE_FRAMES, 1 / colour.SAMPLE_RATE_HZ)


def nearest(frequencies, hz):
    return int(np.argmin(np.abs(frequencies - hz)))


@pytest.mark.parametrize("order", [1.0, 2.0, 4.0])
def test_a_corner_is_3_db_down(order):
    # Butterworth, 1930 (from memory): half power at the corner, whatever the order.
    corner = np.array([1000.0])
    half_power = 10 * np.log10(0.5)
    assert colour.low_pass(corner, 1000.0, order)[0] == pytest.approx(half_power)
    assert colour.high_pass(corner, 1000.0, order)[0] == pytest.approx(half_power)


def test_a_low_pass_falls_6_db_an_octave_and_order():
    # Asymptote of the same formula: order 3 loses 18.06 dB an octave.
    far = colour.low_pass(np.array([20_000.0, 40_000.0]), 500.0, 3.0)
    assert far[0] - far[1] == pytest.approx(18.06, abs=0.01)


@pytest.mark.parametrize("hz", [50.0, 200.0, 800.0])
def test_minimum_phase_of_one_pole_is_that_of_a_resistor_and_a_capacitor(hz):
    # Textbook RC low-pass: phase is minus arctan(f / fc). That the curve ends at
    # 96 kHz turns the phase by 2 microseconds: 0.6 degrees at 800 Hz.
    response = colour.minimum_phase(colour.low_pass(colour.grid_hz(), 200.0, 1.0))
    index = nearest(RESPONSE_HZ, hz)
    exact_hz = RESPONSE_HZ[index]
    expected = -np.degrees(np.arctan(exact_hz / 200.0))
    assert np.degrees(np.angle(response[index])) == pytest.approx(expected, abs=0.7)


def test_minimum_phase_keeps_the_magnitude():
    # Property.
    level = colour.low_pass(colour.grid_hz(), 5000.0, 2.0)
    level += colour.bell(colour.grid_hz(), 900.0, 0.4, -6.0)
    response = colour.minimum_phase(level)
    kept = level[1 : colour.RESPONSE_BINS]
    assert 20 * np.log10(np.abs(response[1:])) == pytest.approx(kept, abs=0.01)


def test_a_colour_comes_from_zero_on():
    # Truth by construction: no energy before the onset, beyond what the end of the
    # band rings, and at 24 kHz this colour is 72 dB down.
    level = colour.low_pass(colour.grid_hz(), 3000.0, 4.0)
    impulse = np.fft.irfft(colour.minimum_phase(level))
    early = np.sum(impulse[-colour.RESPONSE_FRAMES // 2 :] ** 2)
    assert early < 1e-7 * np.sum(impulse**2)


def test_a_delay_of_half_a_sample_is_exact():
    # Truth by construction: the phase of a pure delay is minus 2 pi f tau.
    flat = np.ones(colour.RESPONSE_BINS, complex)
    moved = colour.delayed(flat, 7.5)
    index = nearest(RESPONSE_HZ, 1000.0)
    turns = RESPONSE_HZ[index] * 7.5 / colour.SAMPLE_RATE_HZ
    expected = np.exp(-2j * np.pi * turns)
    assert moved[index] == pytest.approx(expected)
