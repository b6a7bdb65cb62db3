"""Play-out files and their captures; truth by construction."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from pipeline.day.playout import PlayoutWish, write_playout
from pipeline.day.readback import read_back
from pipeline.day.responses import ResponseWish
from pipeline.dsp.latency import ArraySource
from pipeline.errors import OutputError, ReampsError
from pipeline.files.bext import BextFields
from pipeline.files.playout import find_layouts, read_layout, sidecar_of
from pipeline.files.wave_chunks import read_bext, write_wave_24
from pipeline.models.playout import Layout
from pipeline.stages.playout import Expected, read_playout
from tests.day.folders import RATE, plucks


def write_di(path: Path, subtype: str = "PCM_24") -> np.ndarray:
    soundfile.write(path, plucks(1), RATE, subtype=subtype)
    return soundfile.read(path, dtype="float32")[0]


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_the_di_is_inside_bit_for_bit(tmp_path: Path, subtype: str) -> None:
    di = write_di(tmp_path / "di.wav", subtype)
    made = write_playout(PlayoutWish(tmp_path / "di.wav", tmp_path / "out.wav"))
    played, rate = soundfile.read(tmp_path / "out.wav", dtype="float32")
    start = made.layout.di_start
    assert rate == RATE
    assert made.exact
    assert np.array_equal(played[start : start + len(di)], di)
    assert len(played) == made.layout.frames


def test_markers_and_sweep_are_as_loud_as_the_di(tmp_path: Path) -> None:
    di = write_di(tmp_path / "di.wav")
    made = write_playout(PlayoutWish(tmp_path / "di.wav", tmp_path / "out.wav"))
    played, _ = soundfile.read(tmp_path / "out.wav", dtype="float32")
    before = played[: made.layout.di_start]
    assert np.abs(before).max() == pytest.approx(np.abs(di).max(), rel=0.01)
    assert not played[: made.layout.noise_frames].any()


def test_levels_and_sweep_are_the_users_choice(tmp_path: Path) -> None:
    write_di(tmp_path / "di.wav")
    wish = PlayoutWish(
        tmp_path / "di.wav", tmp_path / "o.wav", sweep_dbfs=-20.0, marker_dbfs=-6.0
    )
    layout = write_playout(wish).layout
    assert layout.sweep is not None
    assert layout.sweep.amplitude == pytest.approx(0.1)
    assert layout.marker_amplitude == pytest.approx(0.5012, abs=1e-4)
    bare = PlayoutWish(tmp_path / "di.wav", tmp_path / "b.wav", sweep=False)
    assert write_playout(bare).layout.sweep is None


def test_the_sidecar_comes_back_and_is_found_by_the_di(tmp_path: Path) -> None:
    write_di(tmp_path / "di.wav")
    made = write_playout(PlayoutWish(tmp_path / "di.wav", tmp_path / "out.wav"))
    assert read_layout(sidecar_of(tmp_path / "out.wav")) == made.layout
    assert find_layouts(tmp_path, made.layout.di_sha256) == (made.layout,)
    assert find_layouts(tmp_path, "0" * 64) == ()


def test_at_its_original_time_the_di_in_it_lies_where_the_di_does(
    tmp_path: Path,
) -> None:
    # EBU Tech 3285: the time reference counts the file's first sample.
    hour = 3600 * RATE
    samples = plucks(1, 4.0).astype(np.float32)
    origin = BextFields(time_reference_samples=hour)
    write_wave_24(tmp_path / "di.wav", samples, RATE, origin)
    made = write_playout(
        PlayoutWish(tmp_path / "di.wav", tmp_path / "out.wav", sweep=False)
    )
    found = read_bext(tmp_path / "out.wav")
    assert found is not None
    assert found.time_reference_samples + made.layout.di_start == hour


def test_the_di_is_never_overwritten(tmp_path: Path) -> None:
    write_di(tmp_path / "di.wav")
    before = (tmp_path / "di.wav").read_bytes()
    with pytest.raises(ReampsError, match="the DI itself"):
        write_playout(PlayoutWish(tmp_path / "di.wav", tmp_path / "di.wav"))
    assert (tmp_path / "di.wav").read_bytes() == before


def test_a_play_out_file_is_made_again_and_nothing_else_is_replaced(
    tmp_path: Path,
) -> None:
    di, out = tmp_path / "di.wav", tmp_path / "out.wav"
    write_di(di)
    write_playout(PlayoutWish(di, out, sweep=False))
    made = write_playout(PlayoutWish(di, out))
    assert soundfile.info(out).frames == made.layout.frames
    # What came back from the amplifier, saved under the name of what went there.
    soundfile.write(out, plucks(2), RATE)
    recorded = out.read_bytes()
    with pytest.raises(OutputError, match="not a play-out file that reamps wrote"):
        write_playout(PlayoutWish(di, out))
    assert out.read_bytes() == recorded
    out.unlink()
    # The sidecar of out.wav would lie where this text lies.
    made.sidecar.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match=r"not the sidecar of out\.wav"):
        write_playout(PlayoutWish(di, out))
    assert made.sidecar.read_text(encoding="utf-8") == "mine"
    assert not out.exists()


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[np.ndarray, Layout]:
    folder = tmp_path_factory.mktemp("playout")
    write_di(folder / "di.wav")
    made = write_playout(
        PlayoutWish(folder / "di.wav", folder / "out.wav", sweep_s=4.0)
    )
    return soundfile.read(folder / "out.wav")[0], made.layout


def rig(x: np.ndarray, drive: float) -> tuple[np.ndarray, np.ndarray]:
    sos = signal.butter(2, [100.0, 5000.0], "bandpass", fs=RATE, output="sos")
    loud = signal.resample_poly(np.tanh(drive * signal.resample_poly(x, 4, 1)), 1, 4)
    return signal.sosfilt(sos, loud), sos


def test_a_capture_tells_lag_noise_and_response(
    played: tuple[np.ndarray, Layout],
) -> None:
    x, layout = played
    wet, sos = rig(x, 0.2)
    rng = np.random.default_rng(0)
    late = np.concatenate([np.zeros(777), wet, np.zeros(RATE)])
    capture = (-late + 1e-5 * rng.normal(size=len(late))).astype(np.float32)
    expected = Expected(777.0 + layout.di_start)
    found = read_playout(ArraySource(capture), layout, expected)
    assert found.latency_samples == pytest.approx(777.0, abs=1.5)
    assert found.marker is not None
    assert found.marker.polarity == -1
    assert found.apart_samples == pytest.approx(0.0, abs=1.5)
    assert found.drift_ppm == pytest.approx(0.0, abs=0.5)
    # White noise of 1e-5 rms is -100 dBFS.
    assert found.noise_dbfs == pytest.approx(-100.0, abs=0.2)
    assert found.sweep is not None
    freq = found.sweep.freq_hz
    _, truth = signal.sosfreqz(sos, worN=freq, fs=RATE)
    inside = (freq > 80) & (freq < 8000)
    truth_db = 20 * np.log10(0.2 * np.abs(truth))
    assert np.abs(found.sweep.linear_db - truth_db)[inside].max() < 0.3


def test_drift_shows_between_the_markers(played: tuple[np.ndarray, Layout]) -> None:
    x, layout = played
    wet, _ = rig(x, 2.0)
    ppm = 40.0
    at = np.arange(int(len(wet) * 0.999)) / (1 + ppm * 1e-6)
    capture = np.interp(at, np.arange(len(wet)), wet).astype(np.float32)
    # The music's lag at the DI's first frame grew by as much as the drift until there.
    lag = layout.di_start * (1 + ppm * 1e-6)
    found = read_playout(ArraySource(capture), layout, Expected(lag, drift_ppm=ppm))
    assert found.drift_ppm == pytest.approx(ppm, abs=2.0)
    assert found.apart_samples == pytest.approx(0.0, abs=2.0)


def test_another_recording_has_no_markers(played: tuple[np.ndarray, Layout]) -> None:
    _, layout = played
    noise = np.random.default_rng(1).normal(size=layout.frames).astype(np.float32)
    found = read_playout(ArraySource(noise), layout)
    assert found.marker is None
    assert found.sweep is None
    assert found.apart_samples is None
    doubtful = Expected(layout.di_start + 9000.0, doubtful=True)
    assert read_playout(ArraySource(noise), layout, doubtful).marker is None


@pytest.mark.parametrize("first_frame", [0, 4 * RATE])
def test_markers_are_found_wherever_the_music_was_misled_to(
    played: tuple[np.ndarray, Layout], first_frame: int
) -> None:
    # A recording that started early, and one that missed the first markers.
    x, layout = played
    wet, _ = rig(x, 2.0)
    late = np.concatenate([np.zeros(3 * RATE), wet])[first_frame:].astype(np.float32)
    lag = 3 * RATE - first_frame
    misled = Expected(lag + layout.di_start + 60_000.0, doubtful=True)
    found = read_playout(ArraySource(late), layout, misled)
    assert found.latency_samples == pytest.approx(lag, abs=1.5)
    assert found.apart_samples == pytest.approx(60_000.0, abs=1.5)


def test_the_sweep_is_written_as_a_response(tmp_path: Path) -> None:
    # Truth by construction: a known filter at half level, 500 samples late.
    di = write_di(tmp_path / "di.wav")
    made = write_playout(PlayoutWish(tmp_path / "di.wav", tmp_path / "out.wav"))
    x, _ = soundfile.read(tmp_path / "out.wav")
    sos = signal.butter(2, [100.0, 5000.0], "bandpass", fs=RATE, output="sos")
    wet = 0.5 * signal.sosfilt(sos, x)
    late = np.concatenate([np.zeros(500), wet, np.zeros(RATE)])
    soundfile.write(tmp_path / "c.wav", late, RATE, subtype="PCM_24")
    wish = ResponseWish(
        tmp_path, tmp_path, tmp_path / "r", rates_hz=(RATE,), as_float=True
    )
    found = read_back(tmp_path / "c.wav", 1, made.sidecar, wish)
    assert "latency 500." in found.lines[0] or "latency 501." in found.lines[0]
    taps, _ = soundfile.read(found.files[0])
    truth = wet[made.layout.di_start :][: len(di)]
    again = signal.fftconvolve(di, taps)
    errors = {}
    for shift in range(200, 280):
        part = again[shift : shift + len(di) - 300]
        errors[shift] = np.mean((part - truth[: len(part)]) ** 2)
    best = min(errors, key=lambda shift: errors[shift])
    # Lag 0 sits 5 ms in, and the markers are late by up to one sample where the chain
    # is clean (`pipeline.dsp.markers`).
    assert abs(best - 240) <= 1
    # The stated error of a clean chain's response.
    assert 10 * np.log10(errors[best] / np.mean(truth**2)) < -30.0


def test_markers_are_found_wherever_the_recording_began(tmp_path: Path) -> None:
    write_di(tmp_path / "di.wav")
    made = write_playout(PlayoutWish(tmp_path / "di.wav", tmp_path / "out.wav"))
    x, _ = soundfile.read(tmp_path / "out.wav")
    late = np.concatenate([np.zeros(2 * RATE), 0.5 * x, np.zeros(RATE)])
    soundfile.write(tmp_path / "c.wav", late, RATE, subtype="PCM_24")
    found = read_back(tmp_path / "c.wav", 1, made.sidecar, None)
    assert found.reading.latency_samples == pytest.approx(2 * RATE, abs=1.5)


def test_a_capture_without_markers_is_refused(tmp_path: Path) -> None:
    write_di(tmp_path / "di.wav")
    made = write_playout(PlayoutWish(tmp_path / "di.wav", tmp_path / "out.wav"))
    soundfile.write(tmp_path / "c.wav", np.zeros(RATE), RATE)
    with pytest.raises(ReampsError, match=r"markers of out\.wav are not in it"):
        read_back(tmp_path / "c.wav", 1, made.sidecar, None)
