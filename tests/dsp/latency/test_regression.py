"""Delay by regression: truth by construction, colours from scipy's filters."""

import numpy as np
import pytest
from scipy import signal

from pipeline.dsp.latency.excess import ExcessDelay
from pipeline.dsp.latency.regression import fit_delay
from pipeline.dsp.latency.spectra import ClipSpectra

RATE = 48000
NFFT = 4096
FRAMES = 400


def spectra(response: np.ndarray, top_hz: float, seed: int = 0) -> ClipSpectra:
    """Sums over frames of a white DI; the noise takes over above `top_hz`."""
    rng = np.random.default_rng(seed)
    freq = np.arange(response.size) * RATE / NFFT
    noise = 0.1 * np.abs(response) * np.where(freq > top_hz, 1e3, 1.0)
    shape = (FRAMES, response.size)
    di, hiss = rng.normal(size=(2, *shape)) + 1j * rng.normal(size=(2, *shape))
    capture = di * response + hiss * noise
    return ClipSpectra(
        freq,
        RATE,
        NFFT,
        np.zeros(1, np.int64),
        np.zeros(1),
        (np.abs(di) ** 2).sum(axis=0)[None].astype(np.float32),
        (np.abs(capture) ** 2).sum(axis=0)[None].astype(np.float32),
        (di.conj() * capture).sum(axis=0)[None].astype(np.complex64),
        FRAMES,
    )


def chain(kind: str, order: int, corner_hz: float) -> np.ndarray:
    """Speaker-like band-pass: analogue or digital Butterworth, zero delay."""
    freq = np.maximum(np.arange(1707) * RATE / NFFT, 1e-3)
    if kind == "analogue":
        low = signal.butter(order, 2 * np.pi * corner_hz, analog=True)
        high = signal.butter(2, 2 * np.pi * 90, "high", analog=True)
        parts = [signal.freqs(*part, 2 * np.pi * freq)[1] for part in (low, high)]
    else:
        low = signal.butter(order, corner_hz, fs=RATE)
        high = signal.butter(2, 90, "high", fs=RATE)
        parts = [signal.freqz(*part, freq, fs=RATE)[1] for part in (low, high)]
    return parts[0] * parts[1]


@pytest.mark.parametrize("kind", ["analogue", "digital"])
@pytest.mark.parametrize(("order", "corner_hz"), [(2, 4000), (4, 5500), (5, 7000)])
@pytest.mark.parametrize("sign", [1, -1])
def test_delay_is_found_whatever_the_filter(kind, order, corner_hz, sign):
    response = chain(kind, order, corner_hz)
    late = 3.3
    freq = np.arange(response.size) * RATE / NFFT
    response = sign * response * np.exp(-2j * np.pi * freq * late / RATE)
    found = fit_delay(spectra(response, 18000.0), ExcessDelay(2.0, sign, 0.9, 0.1))
    assert found is not None
    assert found.samples == pytest.approx(late, abs=0.35)
    assert abs(found.samples - late) < 2.5 * found.deviation_samples


def test_interval_widens_as_the_treble_goes():
    # Property: what is hidden above the band is uncertain.
    response = chain("digital", 4, 5500)
    start = ExcessDelay(0.0, 1, 0.9, 0.1)
    wide = fit_delay(spectra(response, 18000.0), start)
    narrow = fit_delay(spectra(response, 6000.0), start)
    assert wide is not None
    assert narrow is not None
    assert narrow.deviation_samples > 2.0 * wide.deviation_samples
    assert abs(narrow.samples) < 2.5 * narrow.deviation_samples


def test_nothing_coherent_gives_no_delay():
    response = chain("digital", 4, 5500)
    silent = spectra(response, -1.0)
    assert fit_delay(silent, ExcessDelay(0.0, 1, 0.9, 0.1)) is None


def test_a_reflection_does_not_move_the_direct_sound():
    # A floor 3 ms later and 10 dB down turns within each band.
    response = chain("digital", 4, 5500)
    freq = np.arange(response.size) * RATE / NFFT
    response = response * (1.0 + 0.316 * np.exp(-2j * np.pi * freq * 0.003))
    found = fit_delay(spectra(response, 18000.0), ExcessDelay(0.0, 1, 0.9, 0.1))
    assert found is not None
    assert found.samples == pytest.approx(0.0, abs=0.4)
