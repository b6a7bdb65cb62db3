"""The real session's truth is true: nothing but the inserted lag delays."""

import json

import numpy as np
import pytest
import soundfile

from pipeline.files.manifest import read_plan
from tests.real import session

REASON = session.reason_to_skip()
pytestmark = pytest.mark.skipif(REASON is not None, reason=str(REASON))


@pytest.mark.parametrize("chain", session.CHAINS[:3], ids=lambda chain: chain.id)
def test_effects_do_not_delay(chain):
    # Property of minimum phase with its onset at zero: nothing comes out before a
    # small click goes in, and half of the energy is out within a millisecond.
    rate_hz = 192_000
    click = np.zeros(rate_hz // 2, np.float32)
    click[9600] = 1e-3
    out = session.board(chain, rate_hz)(click, rate_hz).astype(float)
    energy = np.cumsum(out**2) / np.sum(out**2)
    assert energy[9599] < 1e-9
    assert energy[9600 + rate_hz // 1000] > 0.5


def test_convolution_keeps_the_response_but_for_its_scale():
    # Truth by construction; the library is documented to normalise responses.
    import pedalboard

    rate_hz = 128_000
    impulse = session.response("dark", rate_hz)
    click = np.zeros(20_000, np.float32)
    click[0] = 1.0
    effect = pedalboard.Convolution(impulse[np.newaxis], mix=1.0, sample_rate=rate_hz)
    out = effect(click, rate_hz)[: len(impulse)]
    scale = np.dot(out, impulse) / np.dot(impulse, impulse)
    assert np.max(np.abs(out - scale * impulse)) < 1e-4 * np.max(np.abs(out))


@pytest.mark.parametrize("samples", [0.0, 5.0, 1234.25, -300.6, 47_999.5])
def test_lag_is_inserted_exactly(samples):
    # Truth by construction: phase of a Gaussian pulse, band-limited far below
    # Nyquist's frequency.
    time = np.arange(4000.0)
    pulse = np.exp(-0.5 * ((time - 2000) / 8) ** 2)
    out = session.late(pulse, samples, 60_000)
    expected = np.exp(-0.5 * ((np.arange(60_000) - 2000 - samples) / 8) ** 2)
    assert np.max(np.abs(out - expected)) < 1e-9


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    return session.write_real_session(tmp_path_factory.mktemp("real"))


def test_the_session_is_valid_and_complete(written):
    manifest, facts = written
    plan = read_plan(manifest)
    truth = json.loads(facts.read_text(encoding="utf-8"))
    assert [one.id for one in plan.captures] == list(truth["captures"])
    assert all(one.path.is_file() for one in plan.captures)


def test_a_linear_capture_lines_up_with_the_truth(written):
    # Independent of the product: whitened correlation of the capture that was not
    # distorted peaks within the few samples that its colour smears.
    manifest, facts = written
    plan = read_plan(manifest)
    truth = json.loads(facts.read_text(encoding="utf-8"))["captures"]
    dry, _ = soundfile.read(plan.di_path)
    one = next(one for one in plan.captures if one.id == "linear-bright")
    wet, _ = soundfile.read(one.path)
    size = 1 << (len(dry) + len(wet)).bit_length()
    cross = np.fft.rfft(wet, size) * np.conj(np.fft.rfft(dry, size))
    band = np.fft.rfftfreq(size) < 0.2
    peak = np.fft.irfft(np.where(band, cross / (np.abs(cross) + 1e-12), 0), size)
    found = int(np.argmax(np.abs(peak)))
    assert found == pytest.approx(truth["linear-bright"]["latency_samples"], abs=12)
