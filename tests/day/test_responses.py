"""Responses of a run: convolution against a clean capture; levels; rates."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from pipeline.day.responses import Response, ResponseWish, write_responses
from pipeline.errors import OutputError, ReampsError
from pipeline.files.store import write_record
from pipeline.files.wave_chunks import read_bext
from pipeline.models.record import Record
from tests.day.folders import RATE, plucks
from tests.day.test_handover import capture

SOS = signal.butter(2, [100.0, 5000.0], "bandpass", fs=RATE, output="sos")


def write_run(
    folder: Path, gains: dict[str, float], sos: np.ndarray = SOS
) -> tuple[Path, Path]:
    """Clean captures through a known filter, as a run would have written them."""
    (folder / "audio").mkdir()
    rng = np.random.default_rng(4)
    di = plucks(1) + 1e-4 * rng.normal(size=len(plucks(1)))
    soundfile.write(folder / "di.wav", di, RATE, "PCM_24")
    captures = []
    for number, (id_, gain) in enumerate(gains.items()):
        file = f"audio/{number}.wav"
        soundfile.write(folder / file, gain * signal.sosfilt(sos, di), RATE, "PCM_24")
        one = capture(id_, sha256_of(folder / file))
        one["output"] |= {"file": file}
        captures.append(one)
    raw = {
        "format": 1,
        "created": "2030-01-01T00:00:00+00:00",
        "version": "0",
        "session": {"name": "x"},
        "align_mode": "pass",
        "di": {
            "file": "di.wav",
            "sha256": sha256_of(folder / "di.wav"),
            "sample_rate_hz": RATE,
            "frames": len(di),
        },
        "loudness": {
            "target_lufs": -23.0,
            "effective_target_lufs": -23.0,
            "max_true_peak_dbtp": -1.0,
        },
        "captures": captures,
    }
    write_record(folder, Record.model_validate_json(json.dumps(raw)))
    return folder, folder / "di.wav"


def sha256_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return write_run(tmp_path_factory.mktemp("responses"), {"a": 0.5})


def respond(run: tuple[Path, Path], output: Path, **keys: object) -> Response:
    return write_responses(ResponseWish(run[0], run[1], output, **keys))[0]


def test_convolving_the_di_gives_a_clean_capture(
    run: tuple[Path, Path], tmp_path: Path
) -> None:
    # Stated error: -30 dB against a clean capture; measured from the file itself.
    made = respond(run, tmp_path, rates_hz=(RATE,), as_float=True)
    taps, rate = soundfile.read(made.files[0])
    di, _ = soundfile.read(run[1])
    wet, _ = soundfile.read(run[0] / "audio" / "0.wav")
    assert made.lag_zero_s == 0.002
    pre = round(0.002 * rate)
    again = signal.fftconvolve(di, taps)[pre : pre + len(wet)]
    error_db = 10 * np.log10(np.mean((wet - again) ** 2) / np.mean(wet**2))
    assert error_db < -30.0
    assert made.error_db == pytest.approx(error_db, abs=0.1)
    assert made.confidence > 0.9


def test_every_rate_has_the_same_response(
    run: tuple[Path, Path], tmp_path: Path
) -> None:
    made = respond(run, tmp_path)
    probe_hz = np.array([150.0, 440.0, 1000.0, 3000.0])
    levels = []
    for path in made.files:
        taps, rate = soundfile.read(path)
        assert soundfile.info(path).subtype == "PCM_24"
        _, response = signal.freqz(taps, worN=probe_hz, fs=rate)
        levels.append(20 * np.log10(np.abs(response)) + made.scaled_db)
    assert [soundfile.info(p).samplerate for p in made.files] == [44100, 48000, 96000]
    assert np.ptp(levels, axis=0).max() < 0.1


def third_octaves_db(taps: np.ndarray, rate: float) -> list[float]:
    """IEC 61260-1 bands of 50 Hz to 10 kHz: mean of 500 points within each."""
    levels = []
    for band in range(-13, 11):
        centre = 1000 * 10 ** (band / 10)
        ends = np.linspace(centre * 10**-0.05, centre * 10**0.05, 501)
        _, response = signal.freqz(taps, worN=(ends[1:] + ends[:-1]) / 2, fs=rate)
        levels.append(10 * np.log10(np.mean(np.abs(response) ** 2)))
    return levels


# A flat chain, and a cabinet that rings in its lowest octave.
@pytest.mark.parametrize("sos", [SOS, signal.tf2sos(*signal.iirpeak(110, 15, fs=RATE))])
def test_unity_puts_the_loudest_third_octave_at_0_db(
    tmp_path: Path, sos: np.ndarray
) -> None:
    run = write_run(tmp_path, {"a": 0.5}, sos)
    made = respond(
        run, tmp_path / "r", level="unity", rates_hz=(RATE, 96_000), as_float=True
    )
    for path in made.files:
        levels = third_octaves_db(*soundfile.read(path))
        assert max(levels) == pytest.approx(0.0, abs=0.05)


def test_minimum_phase_starts_at_once_and_keeps_the_magnitude(
    run: tuple[Path, Path], tmp_path: Path
) -> None:
    plain = respond(run, tmp_path, rates_hz=(RATE,), as_float=True)
    early = respond(run, tmp_path, rates_hz=(RATE,), as_float=True, minimum_phase=True)
    a, b = (soundfile.read(r.files[0])[0] for r in (plain, early))
    assert early.lag_zero_s == 0.0
    assert int(np.abs(b).argmax()) < 12
    assert int(np.abs(a).argmax()) > 80
    probe_hz = np.geomspace(150, 4000, 20)
    levels = [
        20 * np.log10(np.abs(signal.freqz(x, worN=probe_hz, fs=RATE)[1]))
        for x in (a, b)
    ]
    assert np.abs(levels[0] - levels[1]).max() < 0.5


def test_strangers_are_refused(run: tuple[Path, Path], tmp_path: Path) -> None:
    with pytest.raises(ReampsError, match="no output of the name z; there are: a"):
        respond(run, tmp_path, ids=("z",))
    other = tmp_path / "other.wav"
    soundfile.write(other, plucks(3), RATE)
    with pytest.raises(ReampsError, match="is not the DI"):
        write_responses(ResponseWish(run[0], other, tmp_path))


def test_ids_that_look_alike_as_names_have_files_of_their_own(tmp_path: Path) -> None:
    # Truth by construction: one is 12.04 dB louder than the other.
    run = write_run(tmp_path, {"amp/cap": 0.8, "amp:cap": 0.2})
    wish = ResponseWish(*run, tmp_path / "r", rates_hz=(RATE,), as_float=True)
    made = write_responses(wish)
    loud, soft = (soundfile.read(one.files[0])[0] for one in made)
    assert 20 * np.log10(np.ptp(loud) / np.ptp(soft)) == pytest.approx(12.04, abs=0.1)
    # A name does not depend on which responses are wanted.
    alone = write_responses(replace(wish, ids=("amp:cap",), output=tmp_path / "s"))
    assert alone[0].files[0].name == made[1].files[0].name


@pytest.mark.parametrize("as_float", [True, False])
def test_a_response_is_made_again_and_nothing_else_is_replaced(
    run: tuple[Path, Path], tmp_path: Path, *, as_float: bool
) -> None:
    respond(run, tmp_path, rates_hz=(RATE,), as_float=as_float)
    made = respond(run, tmp_path, rates_hz=(RATE,), as_float=as_float, level="unity")
    bext = read_bext(made.files[0])
    assert bext is not None
    assert "level unity" in bext.description
    other = tmp_path / "a 96000.wav"
    other.write_bytes((run[0] / "audio" / "0.wav").read_bytes())
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    with pytest.raises(OutputError, match=r"a 96000\.wav: is there already"):
        respond(run, tmp_path, rates_hz=(RATE, 96_000), as_float=as_float)
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_record_cannot_name_files_outside_of_its_folder(tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    run = write_run(tmp_path / "run", {"a": 0.5})
    (run[0] / "audio" / "0.wav").rename(tmp_path / "secret.wav")
    record = run[0] / "record.json"
    text = record.read_text(encoding="utf-8")
    record.write_text(text.replace("audio/0.wav", "../secret.wav"), encoding="utf-8")
    with pytest.raises(OutputError, match="lies outside"):
        respond(run, tmp_path / "out")
    assert not (tmp_path / "out").exists()
