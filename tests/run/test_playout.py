"""Captures of a play-out file in a run; truth by construction and closed forms."""

import pickle
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from pipeline.day.playout import PlayoutWish, write_playout
from pipeline.day.responses import ResponseWish, write_responses
from pipeline.day.swept import read_swept, sweep_taps
from pipeline.errors import ReampsError
from pipeline.files.playout import read_layout
from pipeline.files.store import read_record
from pipeline.files.wave_chunks import read_bext
from pipeline.models.record import Capture
from pipeline.run.playing import PlayoutTask, played_beside, read_capture
from pipeline.run.service import Options, explain, run_check, run_manifests
from pipeline.stages.playout import Expected
from pipeline.stages.read import SourceSpec
from tests.run.sessions import RATE, plucks

QUIET = Options(jobs=1, quiet=True)
LAG, LEVEL = 777, 0.25
A, B, C = 0.5, 0.2, 0.3
HISS = 1e-5
MANIFEST = """\
format = 1
[session]
name = "Boat house"
[di]
file = "{di}"
{more}
"""


def capture_text(*names: str) -> str:
    return "".join(f'[[capture]]\nfile = "{name}.wav"\n' for name in names)


def amp(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Without memory, so that its harmonics have a closed form."""
    return A * x + B * x**2 + C * x**3


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A DI, its play-out file, and three captures."""
    made = tmp_path_factory.mktemp("played")
    soundfile.write(made / "di.wav", plucks(1), RATE, subtype="PCM_24")
    level_dbfs = 20 * np.log10(LEVEL)
    layout = write_playout(
        PlayoutWish(
            made / "di.wav",
            made / "out.wav",
            sweep_dbfs=level_dbfs,
            marker_dbfs=level_dbfs,
            sweep_s=3.0,
        )
    ).layout
    rng = np.random.default_rng(4)

    def save(name: str, x: NDArray[np.float64], late: int) -> None:
        heard = np.concatenate([np.zeros(late), x, np.zeros(4000)])
        noisy = heard + HISS * rng.normal(size=len(heard))
        soundfile.write(made / f"{name}.wav", noisy, RATE, subtype="PCM_24")

    played, _ = soundfile.read(made / "out.wav")
    save("whole", amp(played), LAG)
    cut = layout.di_start - RATE // 2
    save("edited", amp(np.insert(played, cut, np.zeros(24))), LAG)
    save("bare", amp(plucks(1)), LAG)
    other = played.copy()
    stretch = slice(layout.di_start, layout.di_start + layout.di_frames)
    other[stretch] = plucks(3)
    save("other", amp(other), LAG)
    text = MANIFEST.format(di="di.wav", more="")
    (made / "session.toml").write_text(
        text + capture_text("whole", "edited", "bare", "other")
    )
    return made


@pytest.fixture(scope="module")
def captures(folder: Path) -> dict[str, Capture]:
    """The session, run once."""
    out = folder / "result"
    run_manifests([folder / "session.toml"], out, QUIET)
    assert all(step.reuse for step in explain(folder / "session.toml", out, QUIET))
    record = read_record(out)
    assert record.playout is not None
    assert record.playout.file == "out.wav"
    assert record.playout.sweep_dbfs == pytest.approx(20 * np.log10(LEVEL))
    captures = {c.id: c for c in record.captures}
    freq = np.array(record.playout.sweep_hz)
    check_polynomial(captures["whole"], freq)
    return captures


def check_polynomial(capture: Capture, freq: NDArray[np.float64]) -> None:
    """Harmonics of A x + B x^2 + C x^3 for a sine of peak p.

    The fundamental is A p + 3 C p^3 / 4, the second harmonic B p^2 / 2, the third
    C p^3 / 4 (trigonometric identities).
    """
    assert capture.playout is not None
    sweep = capture.playout.sweep
    assert sweep is not None
    first = A * LEVEL + 0.75 * C * LEVEL**3
    second, third = B * LEVEL**2 / 2, C * LEVEL**3 / 4
    # A short sweep through a cut window: half a dB, as the sweep's own tests allow.
    middle = np.flatnonzero((freq > 100) & (freq < 2000))
    for index in middle:
        assert sweep.linear_db[index] == pytest.approx(
            20 * np.log10(first / LEVEL), abs=0.1
        )
        h2, h3 = sweep.harmonics_db[0][index], sweep.harmonics_db[1][index]
        assert h2 == pytest.approx(20 * np.log10(second / first), abs=0.5)
        assert h3 == pytest.approx(20 * np.log10(third / first), abs=0.7)
        # No fourth nor fifth: what is read there is no more than noise and window.
        assert sweep.harmonics_db[2][index] < -70.0
    thd = np.hypot(second, third) / first
    assert sweep.distortion[middle[10]] == pytest.approx(thd, rel=0.05)
    # The sweep ends at 20 kHz: no second harmonic of what lies above 10 kHz.
    assert freq[len(sweep.harmonics_db[0]) - 1] < 10_000 < freq[-1]


def test_markers_tell_the_latency_besides_the_music(
    captures: dict[str, Capture],
) -> None:
    found = captures["whole"].playout
    assert found is not None
    assert found.latency_samples == pytest.approx(LAG, abs=1.0)
    assert found.polarity == 1
    assert abs(found.apart_samples) < 2.0
    assert found.drift_ppm == pytest.approx(0.0, abs=0.2)
    assert captures["whole"].status == "ok"


def test_the_noise_print_is_the_level_of_the_silence(
    captures: dict[str, Capture],
) -> None:
    # White noise of 1e-5 rms is -100 dBFS; three seconds of it, and 24 bits.
    found = captures["whole"].playout
    assert found is not None
    assert found.noise_dbfs == pytest.approx(-100.0, abs=0.2)


def test_an_edit_between_markers_and_music_is_found(
    captures: dict[str, Capture],
) -> None:
    found = captures["edited"].playout
    assert found is not None
    assert found.apart_samples == pytest.approx(24, abs=2.0)
    codes = {finding.code for finding in captures["edited"].findings}
    assert "markers_disagree" in codes


def test_a_capture_of_the_di_alone_needs_no_markers(
    captures: dict[str, Capture],
) -> None:
    assert captures["bare"].playout is None
    assert captures["bare"].status == "ok"


def test_markers_do_not_make_another_di_this_one(
    captures: dict[str, Capture],
) -> None:
    # Every play-out file has the same markers: the music decides.
    other = captures["other"]
    assert other.status == "rejected"
    assert other.playout is None
    codes = [finding.code for finding in other.findings]
    assert codes == ["not_this_di", "markers_only"]


def test_the_play_out_file_itself_may_be_the_di(
    folder: Path, captures: dict[str, Capture]
) -> None:
    text = MANIFEST.format(di="out.wav", more="") + capture_text("whole", "bare")
    (folder / "other.toml").write_text(text)
    out = folder / "other"
    run_manifests([folder / "other.toml"], out, QUIET)
    record = read_record(out)
    whole, bare = record.captures
    before = captures["whole"]
    assert whole.latency is not None
    assert before.latency is not None
    assert whole.latency.samples == pytest.approx(before.latency.samples, abs=0.01)
    assert whole.playout == before.playout
    assert (record.di.frames, record.di.start_frame) == (
        len(plucks(1)),
        record.playout.di_start if record.playout else None,
    )
    # The play-out file starts at 0 of its session; the DI in it, and so the aligned
    # file, lies later by what was played ahead (EBU Tech 3285, time reference).
    bext = read_bext(out / "audio" / "whole.wav")
    assert bext is not None
    assert bext.time_reference_samples == record.di.start_frame > 0
    # What is written of the DI is the music, not what was played ahead of it.
    assert record.di.output is not None
    dry, _ = soundfile.read(out / record.di.output.file)
    wanted, _ = soundfile.read(folder / "di.wav")
    gain = float(dry @ wanted / (wanted @ wanted))
    assert dry == pytest.approx(gain * wanted, abs=2.0**-23)
    # Here the play-out file is known to have been played: its lack is told.
    assert [finding.code for finding in bare.findings] == ["no_markers"]


def test_a_play_out_file_of_another_di_is_refused(folder: Path) -> None:
    soundfile.write(folder / "new.wav", plucks(2), RATE, subtype="PCM_24")
    text = MANIFEST.format(di="new.wav", more='playout = "out.wav"')
    (folder / "wrong.toml").write_text(text + capture_text("whole"))
    with pytest.raises(ReampsError, match=r"out\.wav: was made of di\.wav"):
        run_check(folder / "wrong.toml", QUIET)


def test_of_several_play_out_files_none_is_guessed(tmp_path: Path) -> None:
    di = tmp_path / "di.wav"
    soundfile.write(di, plucks(1), RATE, subtype="PCM_24")
    for name, level_dbfs in (("soft.wav", -30.0), ("loud.wav", -6.0)):
        wish = PlayoutWish(di, tmp_path / name, sweep=False, marker_dbfs=level_dbfs)
        sha256 = write_playout(wish).layout.di_sha256
    played = played_beside(di, sha256, 1)
    assert played.layout is None
    (finding,) = played.findings
    assert finding.code == "several_playouts"
    assert "loud.wav, soft.wav" in finding.message
    (tmp_path / "soft.playout.json").unlink()
    found = played_beside(di, sha256, 1).layout
    assert found is not None
    assert found.file == "loud.wav"


def test_a_sidecar_that_tells_of_another_length_is_refused(
    folder: Path, tmp_path: Path
) -> None:
    sidecar = (folder / "out.playout.json").read_text()
    soundfile.write(tmp_path / "out.wav", plucks(1), RATE)
    (tmp_path / "out.playout.json").write_text(sidecar)
    text = MANIFEST.format(di="out.wav", more="") + capture_text("whole")
    (tmp_path / "s.toml").write_text(text)
    with pytest.raises(ReampsError, match="its sidecar tells of"):
        run_check(tmp_path / "s.toml", QUIET)


def test_the_sweep_gives_the_response_of_the_aligned_file(
    folder: Path, captures: dict[str, Capture]
) -> None:
    # The linear part of A x + B x^2 + C x^3 at the sweep's peak is its fundamental
    # over that peak; everything else of the capture is distortion. Truth: a single
    # tap of that height, times the gain of the run.
    session = read_swept(folder / "session.toml")
    assert sweep_taps(session, captures["bare"]) is None
    found = sweep_taps(session, captures["whole"])
    assert found is not None
    taps, pre = found
    loudness = captures["whole"].loudness
    assert loudness is not None
    gain = 10 ** (loudness.gain_db / 20)
    # 5 ms ahead of lag 0 cut the ringing of the sweep's lower end off: a few percent
    # of ripple below some hundred hertz in a chain that goes down to 0 Hz.
    hertz = np.geomspace(400, 5000, 20)
    _, response = signal.freqz(taps, worN=hertz, fs=RATE)
    truth = gain * (A + 0.75 * C * LEVEL**2)
    assert np.abs(response) == pytest.approx(truth, rel=0.03)
    late = response * np.exp(2j * np.pi * hertz * pre / RATE)
    # The music's lag is off by some hundredths of a sample, no more.
    assert np.abs(np.angle(late)).max() < 2 * np.pi * 5000 * 0.2 / RATE


def test_the_nearer_response_is_written(
    folder: Path, captures: dict[str, Capture], tmp_path: Path
) -> None:
    # The bare capture has no sweep; the other's explains nearly all of it, whichever
    # of the two was nearer.
    wish = ResponseWish(
        folder / "result",
        None,
        tmp_path,
        ids=("whole", "bare"),
        rates_hz=(RATE,),
        manifest=folder / "session.toml",
    )
    whole, bare = write_responses(wish)
    assert not bare.swept
    # Both play in step, whichever each came from: the loudest tap is that of lag 0.
    for made in (whole, bare):
        taps, _ = soundfile.read(made.files[0])
        assert int(np.abs(taps).argmax()) == round(made.lag_zero_s * RATE)
    assert whole.lag_zero_s == bare.lag_zero_s
    assert captures["whole"].output is not None
    assert whole.error_db <= bare.error_db + 1.0
    assert whole.confidence > 0.95


def test_a_task_can_be_sent_to_another_process(folder: Path) -> None:
    layout = read_layout(folder / "out.playout.json")
    source = SourceSpec(folder / "whole.wav", 1, RATE)
    expected = Expected(layout.di_start + LAG)
    task = pickle.loads(  # noqa: S301 (our own)
        pickle.dumps(PlayoutTask(source, layout, expected, named=False))
    )
    assert read_capture(task).reading is not None
