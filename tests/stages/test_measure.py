"""What measures become at the session's level, and what is kept of them."""

import numpy as np
import pytest
from pydantic import TypeAdapter

from pipeline.dsp.activity import active_frames, frame_power
from pipeline.dsp.linearity import di_spectra
from pipeline.models.metrics import METRICS
from pipeline.models.record import LoudnessTarget
from pipeline.stages.di import DiMaterial
from pipeline.stages.measure import Measured, finish, measure, observe
from tests.run.sessions import RATE, plucks, rig

POWER = 10.0 ** (-33.0 / 10.0)
"""Of a steady signal: BS.1770 calls -0.691 dB more than this -33 LUFS."""


def measured(power=POWER):
    return Measured(
        cell_power=np.full(600, power).astype("<f8").tobytes(),
        true_peak_dbtp=-20.0,
        metrics={"noise_dbfs": -80.0, "crest_db": 12.0, "lra_lu": None},
        curves=None,
        music_dbfs=-30.0,
        hum_hz=None,
        response_db=b"",
    )


def target(lufs):
    return LoudnessTarget(
        target_lufs=lufs,
        effective_target_lufs=lufs,
        max_true_peak_dbtp=-1.0,
        lowered_for=None,
    )


def test_a_gain_moves_levels_and_leaves_ratios():
    finished = finish(measured(), target(-23.0), 1.5)
    gain = -23.0 - (-33.0 - 0.691) + 1.5
    # Sums over 600 equal cells round in the thirteenth digit.
    assert finished.loudness.gain_db == pytest.approx(gain, abs=1e-9)
    assert finished.loudness.source_lufs == pytest.approx(-33.691, abs=1e-9)
    assert finished.loudness.lufs == pytest.approx(-21.5, abs=1e-9)
    assert finished.loudness.true_peak_dbtp == pytest.approx(-20.0 + gain, abs=1e-9)
    assert finished.metrics["noise_dbfs"] == pytest.approx(-80.0 + gain, abs=1e-9)
    assert finished.metrics["crest_db"] == 12.0
    assert finished.metrics["lra_lu"] is None


def test_silence_has_no_level_to_be_brought_to():
    assert finish(measured(0.0), target(-23.0)) is None


def test_what_was_asked_of_measures_is_no_part_of_them():
    # The loudness stays with them once it was asked for; files and keys must not.
    adapter = TypeAdapter(Measured)
    asked, fresh = measured(), measured()
    assert asked.loudness.integrated_lufs is not None
    assert asked == fresh
    assert adapter.dump_json(asked) == adapter.dump_json(fresh)
    assert adapter.validate_json(adapter.dump_json(asked)) == fresh


@pytest.mark.parametrize(
    ("begins_s", "ends_s", "moved"),
    [
        # A tail after the last note, and a rest well ahead of the first.
        (9.3, 9.4, ("whole file",)),
        (0.1, 0.8, ("whole file", "silences", "noise print")),
    ],
)
def test_definitions_say_what_is_not_taken_where_the_di_plays(
    begins_s: float, ends_s: float, moved: tuple[str, ...]
) -> None:
    di = plucks(1, 10.0).astype(np.float32)
    activity = active_frames(di, RATE)
    spectra, power = di_spectra(di, RATE, activity), frame_power(di, RATE)
    # Nothing is located here, so nothing of the search for the lag is needed.
    material = DiMaterial(di, None, activity, spectra, power)

    def metrics_of(x: np.ndarray) -> dict[str, float | None]:
        x = x.astype(np.float32)
        seen = observe(material, x, RATE, held=(0, len(x)))
        return measure(material, x, RATE, seen).metrics

    rng = np.random.default_rng(2)
    time = np.arange(len(di)) / RATE
    hum = 2e-3 * (np.sin(100 * np.pi * time) + np.sin(200 * np.pi * time))
    capture = rig(di, 3.0, 5500.0) + hum + 1e-3 * rng.standard_normal(len(di))
    burst = np.where((begins_s < time) & (time < ends_s), 0.9, 0.0)
    before = metrics_of(capture)
    after = metrics_of(capture + burst * rng.uniform(-1, 1, len(di)))
    assert {key for key in before if before[key] != after[key]} == {
        metric.key
        for metric in METRICS
        if any(words in metric.definition for words in moved)
    }
