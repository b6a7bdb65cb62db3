"""The backing track: on the DI's time, at its level, never the end of the night."""

import json

import numpy as np
import pyloudnorm
import pytest
import soundfile

from pipeline.models.manifest import Context
from pipeline.models.record import LoudnessTarget
from pipeline.run.context import AlongTask, copy_name, prepare_track
from pipeline.run.service import Options, explain, run_check, run_manifests
from pipeline.run.session import LATER
from pipeline.stages.read import SourceSpec
from tests.run.sessions import RATE, write_session

QUIET = Options(jobs=1, quiet=True)
SECONDS = 8


def hiss(seconds, rate, channels):
    rng = np.random.default_rng(8)
    return 0.05 * rng.standard_normal((round(seconds * rate), channels))


def add_track(session, samples, rate=RATE, more=""):
    soundfile.write(session.manifest.parent / "audio/band.wav", samples, rate, "FLOAT")
    with session.manifest.open("a", encoding="utf-8") as file:
        file.write(f'[context]\nfile = "audio/band.wav"\n{more}\n')


def one_capture(folder, head=""):
    """The small session with its quickest capture alone."""
    session = write_session(folder, head=head)
    text = session.manifest.read_text(encoding="utf-8")
    session.manifest.write_text(
        text[: text.index("[[capture]]")]
        + '[[capture]]\nid = "loud"\nfile = "audio/p02.wav"\n',
        encoding="utf-8",
    )
    return session


def run(session, folder):
    (outcome,) = run_manifests([session.manifest], folder, QUIET)
    return outcome


def copy_of(folder, context):
    """What the page plays: frames by channels, and the rate."""
    text = (folder / context.listen).read_text(encoding="utf-16")
    payload = json.loads(text[text.index("(") + 1 : text.rindex(")")])
    units = np.array([ord(one) for one in payload["data"]], dtype=np.uint16)
    samples = (units - np.uint16(0x6000)).view(np.int16) / 32768
    assert payload["id"] == context.listen
    return samples.reshape(payload["frames"], payload["channels"]), payload["rate"]


def test_lies_on_the_di_and_at_the_captures_loudness(tmp_path):
    # Truth by construction: the track's own samples, shifted by 2.5 s; loudness by
    # pyloudnorm, another meter, of each channel alone (BS.1770 adds their powers).
    session = one_capture(tmp_path)
    track = hiss(12, RATE, 2) * [1.0, 0.5]
    add_track(session, track, more="offset_s = 2.5\ngain_db = -4.0")
    outcome = run(session, tmp_path / "out")
    found = outcome.record.context
    heard, rate = copy_of(tmp_path / "out", found)
    assert (heard.shape, rate) == ((SECONDS * RATE, 2), RATE)
    wanted = track[round(2.5 * RATE) :][: len(heard)]
    gain = np.vdot(heard, wanted) / np.vdot(wanted, wanted)
    # Triangular dither of 16 bits errs by 1.5 steps at most.
    assert np.max(np.abs(heard - gain * wanted)) <= 1.5 / 32768 + 1e-6
    meter = pyloudnorm.Meter(RATE)
    powers = [10 ** (meter.integrated_loudness(heard[:, k]) / 10) for k in (0, 1)]
    target = outcome.record.loudness.effective_target_lufs
    assert 10 * np.log10(np.mean(powers)) == pytest.approx(target - 4.0, abs=0.1)
    assert found.lufs == pytest.approx(target - 4.0, abs=1e-6)
    assert 20 * np.log10(gain) == pytest.approx(found.gain_db, abs=0.001)
    assert (found.begins_s, found.ends_s) == (0.0, SECONDS)
    assert outcome.record.findings == ()


def test_another_rate_and_a_late_track(tmp_path):
    # A tone keeps its phase through the converter: 1 kHz from 1.25 s on.
    session = one_capture(tmp_path)
    at = np.arange(round(3.5 * 44_100)) / 44_100
    add_track(session, 0.1 * np.sin(2 * np.pi * 1000 * at), 44_100, "offset_s = -1.25")
    outcome = run(session, tmp_path / "out")
    found = outcome.record.context
    heard, _ = copy_of(tmp_path / "out", found)
    assert (found.sample_rate_hz, found.channels) == (44_100, 1)
    assert (found.begins_s, found.ends_s) == (1.25, 4.75)
    first = round(1.25 * RATE)
    assert np.max(np.abs(heard[: first - 1])) <= 1 / 32768  # dither alone
    middle = slice(first + RATE // 2, first + 3 * RATE)
    now = np.arange(len(heard)) / RATE - 1.25
    tone = np.sin(2 * np.pi * 1000 * now)[middle]
    played = heard[middle, 0]
    level = np.vdot(played, tone) / np.vdot(tone, tone)
    assert np.max(np.abs(played - level * tone)) < 2.5 / 32768


def test_its_own_peaks_stay_under_the_ceiling(tmp_path):
    # A track far above the captures is turned down to -1 dBTP, and the page says so.
    session = one_capture(tmp_path)
    add_track(session, hiss(8, RATE, 1), more="gain_db = 20.0")
    outcome = run(session, tmp_path / "out")
    found = outcome.record.context
    heard, _ = copy_of(tmp_path / "out", found)
    assert -1.1 < found.true_peak_dbtp <= -1.0
    assert np.max(np.abs(heard)) <= 10 ** (-1 / 20)
    page = (tmp_path / "out/index.html").read_text(encoding="utf-8")
    assert "its peaks allow no more" in page


@pytest.mark.parametrize(
    ("samples", "offset_s", "code"),
    [
        (b"not audio", 0.0, "unreadable"),
        (hiss(4, RATE, 1), 90.0, "no_overlap"),
        (hiss(4, RATE, 1), -7.5, "no_overlap"),
        (np.zeros((9 * RATE, 1)), 0.0, "silent"),
        (np.full((9 * RATE, 2), np.nan), 0.0, "not_finite"),
    ],
)
def test_a_track_that_cannot_be_used_is_told(tmp_path, samples, offset_s, code):
    file = tmp_path / "band.wav"
    if isinstance(samples, bytes):
        file.write_bytes(samples)
    else:
        soundfile.write(file, samples, RATE, "FLOAT")
    task = AlongTask(
        written=Context(file="audio/band.wav", offset_s=offset_s),
        source=SourceSpec(file, 1, RATE),
        sha256="0",
        di_frames=SECONDS * RATE,
        target=LoudnessTarget(
            target_lufs=-23.0, effective_target_lufs=-23.0, max_true_peak_dbtp=-1.0
        ),
        listen="listen/Backing track.js",
        folder=tmp_path,
    )
    found = prepare_track(task)
    assert found.result is None
    (finding,) = found.findings
    assert (finding.code, finding.severity) == (code, "warn")
    assert "audio/band.wav" in finding.message
    assert finding.fix
    assert [path.name for path in tmp_path.iterdir()] == ["band.wav"]


def test_without_its_file_the_night_goes_on(tmp_path):
    session = one_capture(tmp_path)
    add_track(session, hiss(1, RATE, 1))
    (tmp_path / "audio/band.wav").unlink()
    outcome = run_check(session.manifest, QUIET)
    assert outcome.status == 0
    assert outcome.record.context is None
    (finding,) = outcome.record.findings
    assert (finding.code, finding.severity) == ("missing", "warn")
    assert "audio/band.wav" in finding.message
    assert [capture.status for capture in outcome.record.captures] == ["ok"]


def test_shares_its_name_with_no_other_copy():
    assert copy_name(["DI (dry)", "p01"]) == "listen/Backing track.js"
    assert copy_name(["backing TRACK"]) == "listen/Backing track 2.js"


def test_kept_told_and_cleared_away(tmp_path):
    session = one_capture(tmp_path)
    out = tmp_path / "out"
    add_track(session, hiss(9, RATE, 1))
    source = (tmp_path / "audio/band.wav").read_bytes()

    def decided():
        decisions = explain(session.manifest, out, QUIET)
        return {d.stage: (d.reuse, d.reason) for d in decisions if d.stage == "context"}

    assert decided() == {"context": (False, LATER)}
    run(session, out)
    assert decided() == {"context": (True, "nothing changed")}
    copy = out / "listen/Backing track.js"
    written = copy.read_bytes()
    copy.unlink()
    assert decided() == {"context": (False, "the kept result is gone")}
    run(session, out)
    assert copy.read_bytes() == written
    text = session.manifest.read_text(encoding="utf-8")
    session.manifest.write_text(text + "offset_s = 0.5\n", encoding="utf-8")
    assert decided() == {"context": (False, "offset changed")}
    session.manifest.write_text(text[: text.index("[context]")], encoding="utf-8")
    assert run(session, out).record.context is None
    assert not copy.exists()
    assert (tmp_path / "audio/band.wav").read_bytes() == source
