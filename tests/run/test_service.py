"""The whole job on a small session: truth by construction, files by other readers."""

import csv
import hashlib
import json
import shutil
import subprocess
from dataclasses import replace
from importlib import import_module

import numpy as np
import pytest
import soundfile

from pipeline.errors import OutputError, ReampsError, RecordError
from pipeline.files.picks import write_picks
from pipeline.files.store import read_record
from pipeline.files.wave_chunks import read_bext
from pipeline.models.metrics import METRIC_KEYS
from pipeline.models.picks import Named, Pick, PicksBook
from pipeline.report.writing import write_page
from pipeline.run.keeping import Keeper
from pipeline.run.service import (
    Options,
    explain,
    run_check,
    run_manifests,
)
from pipeline.run.session import LATER
from tests.run.sessions import RATE, late, plucks, rig, write_session

QUIET = Options(jobs=1, quiet=True)
METER = ("ffmpeg", "-nostats", "-hide_banner")
FILTER = ("-af", "ebur128=peak=true", "-f", "null", "-")


def by_id(record):
    return {capture.id: capture for capture in record.captures}


def lag_samples(late, early):
    """Where the cross-correlation peaks, whatever its sign, to 1/16 sample."""
    size, parts = 2 * len(early), 16
    spectrum = np.fft.rfft(late, size) * np.conj(np.fft.rfft(early, size))
    peak = int(np.argmax(np.abs(np.fft.irfft(spectrum, parts * size))))
    return (peak - parts * size * (peak > parts * size // 2)) / parts


def codes(capture):
    return {finding.code for finding in capture.findings}


def test_lags_are_found(session, processed):
    # Whole lags by construction; the speaker's own onset lies at zero.
    outcome, _ = processed
    for id_, capture in by_id(outcome.record).items():
        assert capture.latency.samples == pytest.approx(session.lags[id_], abs=2.0)


def test_polarity_is_found_and_named(processed):
    captures = by_id(processed[0].record)
    assert {id_: c.latency.polarity for id_, c in captures.items()} == {
        "close": 1,
        "dark": -1,
        "loud": 1,
        "early": 1,
    }
    assert "polarity_differs" in codes(captures["dark"])


def test_mics_of_a_pass_share_one_shift(processed):
    captures = by_id(processed[0].record)
    assert captures["close"].shift_samples == captures["dark"].shift_samples


def test_outputs_have_the_shape_of_the_di(processed):
    outcome, folder = processed
    di = plucks(1)
    for capture in outcome.record.captures:
        samples, rate = soundfile.read(folder / capture.output.file)
        assert (len(samples), rate) == (len(di), RATE)
        info = soundfile.info(folder / capture.output.file)
        assert (info.subtype, info.channels) == ("PCM_24", 1)


def test_a_di_of_too_low_a_rate_is_refused(tmp_path):
    manifest = tmp_path / "session.toml"
    manifest.write_text(
        'format = 1\n[session]\nname = "Slow"\n[di]\nfile = "di.wav"\n'
        '[[capture]]\nfile = "p.wav"\n',
        encoding="utf-8",
    )
    for name in ("di.wav", "p.wav"):
        soundfile.write(tmp_path / name, plucks(1)[::12], 4000)
    with pytest.raises(ReampsError, match=r"di\.wav: 4000 Hz, expected 8000 Hz"):
        run_manifests([manifest], tmp_path / "out", Options(jobs=1, quiet=True))


def test_what_is_recorded_beside_the_di_is_not_judged(tmp_path):
    # A capture that begins two seconds late, and goes on for two seconds after the
    # DI: flat tops there (a hand at the knob, a count-in) are nobody's fault.
    di = plucks(1)
    rng = np.random.default_rng(4)
    played = rig(di, 3.0, 5500.0)[2 * RATE :]
    shout = np.clip(8.0 * rng.normal(size=2 * RATE), -1.0, 1.0)
    capture = np.concatenate([0.4 * played, shout])
    soundfile.write(tmp_path / "di.wav", di, RATE, "PCM_24")
    noisy = capture + 1e-4 * rng.normal(size=len(capture)) * (np.abs(capture) < 1.0)
    soundfile.write(tmp_path / "p.wav", noisy, RATE, "PCM_24")
    manifest = tmp_path / "session.toml"
    manifest.write_text(
        'format = 1\n[session]\nname = "Late"\n[di]\nfile = "di.wav"\n'
        '[[capture]]\nfile = "p.wav"\n',
        encoding="utf-8",
    )
    options = Options(jobs=1, quiet=True)
    (outcome,) = run_manifests([manifest], tmp_path / "out", options)
    (capture,) = outcome.record.captures
    assert capture.latency.samples == pytest.approx(-2 * RATE, abs=2.0)
    assert "clipped" not in {finding.code for finding in capture.findings}


@pytest.mark.parametrize("distance", ["", "distance_mm = 20\n"])
def test_a_buffer_change_is_told_whether_distances_are_written_or_not(
    tmp_path, distance
):
    # The ribbon's capsule sits 5 samples (36 mm) behind its grille; the third of four
    # passes comes 128 samples late.
    di = plucks(2, 4.0)
    soundfile.write(tmp_path / "di.wav", di, RATE, "PCM_24")
    sounds = {"dyn": rig(di, 3.0, 5500.0), "rib": rig(di, 3.0, 2800.0)}
    lines = ['format = 1\n[session]\nname = "Buffers"\n[di]\nfile = "di.wav"\n']
    lines.append("[mic.dyn]\n[mic.rib]\n")
    for number in range(4):
        for mic, depth in (("dyn", 0), ("rib", 5)):
            lag = 600 + depth + (128 if number == 2 else 0)
            path = tmp_path / f"{mic}{number}.wav"
            soundfile.write(path, 0.5 * late(sounds[mic], lag), RATE, "PCM_24")
            lines.append(
                f'[[capture]]\nfile = "{path.name}"\npass = "p{number}"\n'
                f'mic = "{mic}"\n{distance}'
            )
    manifest = tmp_path / "session.toml"
    manifest.write_text("".join(lines), encoding="utf-8")
    outcome = run_check(manifest, Options(jobs=1, quiet=True))
    told = {
        capture.id
        for capture in outcome.record.captures
        if "buffer_change" in {finding.code for finding in capture.findings}
    }
    assert told == {"dyn2", "rib2"}


def test_outputs_line_up_with_the_di(processed):
    # Truth by construction: the DI through each rig, with no lag at all. The darker
    # microphone of the pass hears everything 4 samples later and stays where it stood.
    _, folder = processed
    di = plucks(1)
    lags = {}
    for id_, drive, cut_hz, later in (
        ("close", 3.0, 5500.0, 0),
        ("dark", 3.0, 2800.0, 4),
        ("loud", 20.0, 5000.0, 0),
        ("early", 3.0, 5500.0, 0),
    ):
        samples, _ = soundfile.read(folder / "audio" / f"{id_}.wav")
        lags[id_] = lag_samples(samples, rig(di, drive, cut_hz))
        # README: about a sample is inherent without a loopback recording.
        assert lags[id_] == pytest.approx(later, abs=1.0), id_
    # Two outputs of one rig share that sample.
    assert lags["close"] == pytest.approx(lags["early"], abs=0.25)


def test_where_a_capture_has_nothing_there_is_silence(session, processed):
    _, folder = processed
    early, _ = soundfile.read(folder / "audio" / "early.wav")
    missing = -session.lags["early"]
    assert not early[: missing - 60].any()
    assert early[missing + 60 : missing + 4000].any()


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")
def test_an_independent_meter_agrees(processed):
    # EBU R 128 by ffmpeg's ebur128 filter, which prints one decimal.
    outcome, folder = processed
    for capture in outcome.record.captures:
        done = subprocess.run(
            [
                "ffmpeg",
                "-nostats",
                "-hide_banner",
                "-i",
                folder / capture.output.file,
                "-af",
                "ebur128=peak=true",
                "-f",
                "null",
                "-",
            ],
            capture_output=True,
            text=True,
            check=True,
        )
        summary = done.stderr[done.stderr.rindex("Summary:") :]
        lufs = float(summary.split("I:")[1].split()[0])
        peak = float(summary.split("Peak:")[1].split()[0])
        target = outcome.record.loudness.effective_target_lufs
        assert lufs == pytest.approx(target, abs=0.1)
        assert peak <= outcome.record.loudness.max_true_peak_dbtp + 0.1
        assert peak == pytest.approx(capture.loudness.true_peak_dbtp, abs=0.25)


def test_record_and_table_say_the_same(processed):
    outcome, folder = processed
    assert read_record(folder) == outcome.record
    with (folder / "metrics.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["id"] for row in rows] == [c.id for c in outcome.record.captures]
    assert set(METRIC_KEYS) <= set(rows[0])
    assert all(key in outcome.record.captures[0].metrics for key in METRIC_KEYS)


def test_hashes_are_those_of_the_files(processed):
    outcome, folder = processed
    for capture in outcome.record.captures:
        content = (folder / capture.output.file).read_bytes()
        assert hashlib.sha256(content).hexdigest() == capture.output.sha256


def test_files_carry_their_loudness(processed):
    outcome, folder = processed
    capture = outcome.record.captures[0]
    bext = read_bext(folder / capture.output.file)
    assert bext.loudness_value_lufs == pytest.approx(capture.loudness.lufs, abs=0.006)


def test_the_page_is_rebuilt_without_audio(processed, tmp_path):
    _, folder = processed
    shutil.copy(folder / "record.json", tmp_path)
    page = write_page(tmp_path)
    assert page.read_bytes() == (folder / "index.html").read_bytes()


def test_nothing_else_is_left(processed):
    _, folder = processed
    names = {path.name for path in folder.iterdir() if not path.name.startswith(".")}
    assert names == {
        "index.html",
        "record.json",
        "metrics.csv",
        "audio",
        "blends",
        "dry",
        "listen",
    }
    assert not list(folder.glob(".aligned-*"))


BROKEN = """
[[capture]]
id = "gone"
file = "audio/gone.wav"
[[capture]]
id = "text"
file = "audio/text.wav"
[[capture]]
id = "mute"
file = "audio/mute.wav"
[[capture]]
id = "nan"
file = "audio/nan.wav"
[[capture]]
id = "other"
file = "audio/other.wav"
[[capture]]
id = "third"
file = "audio/p01.wav"
channel = 3
pass = "p01"
[[capture]]
id = "again"
file = "audio/p02.wav"
[[capture]]
id = "slow"
file = "audio/slow.wav"
[[capture]]
id = "blip"
file = "audio/blip.wav"
[[capture]]
id = "<script>alert(1)</script>"
file = "audio/p04.wav"
"""


@pytest.fixture(scope="module")
def broken(tmp_path_factory):
    folder = tmp_path_factory.mktemp("broken")
    session = write_session(folder, extra=BROKEN)
    audio = folder / "audio"
    (audio / "text.wav").write_text("not audio", encoding="utf-8")
    soundfile.write(audio / "mute.wav", np.zeros(9 * RATE), RATE)
    bad = plucks(1)
    bad[RATE] = np.nan
    soundfile.write(audio / "nan.wav", bad, RATE, subtype="FLOAT")
    soundfile.write(audio / "other.wav", np.tanh(9 * plucks(99)) * 0.3, RATE)
    soundfile.write(audio / "blip.wav", plucks(1)[: RATE // 2], RATE)
    # Played at 48 kHz, recorded as 44.1 kHz: the same samples under another label.
    close, _ = soundfile.read(audio / "p01.wav")
    soundfile.write(audio / "slow.wav", close[:, 0], 44_100, subtype="PCM_24")
    shutil.copy(audio / "p02.wav", audio / "p04.wav")
    before = {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in audio.iterdir()}
    (outcome,) = run_manifests([session.manifest], folder / "out", QUIET)
    after = {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in audio.iterdir()}
    return outcome, folder / "out", before, after


@pytest.mark.parametrize(
    ("id_", "code"),
    [
        ("gone", "missing"),
        ("text", "unreadable"),
        ("mute", "silent"),
        ("nan", "not_finite"),
        ("other", "not_this_di"),
        ("third", "unreadable"),
        ("slow", "wrong_sample_rate"),
        ("blip", "too_short"),
    ],
)
def test_a_bad_capture_is_rejected_and_the_night_goes_on(broken, id_, code):
    outcome, folder, _, _ = broken
    capture = by_id(outcome.record)[id_]
    assert capture.status == "rejected"
    assert code in codes(capture)
    assert capture.output is None
    assert not (folder / "audio" / f"{id_}.wav").exists()
    assert all(finding.fix for finding in capture.findings)


def test_good_captures_of_a_bad_night_are_done(broken):
    outcome, folder, _, _ = broken
    assert outcome.status == 4
    assert (folder / by_id(outcome.record)["close"].output.file).exists()
    assert len(list((folder / "audio").iterdir())) == 6


def test_a_repeated_file_is_named(broken):
    assert "duplicate" in codes(by_id(broken[0].record)["again"])


def test_explain_names_what_cannot_be_read(broken):
    outcome, folder, _, _ = broken
    told = {d.id: d for d in explain(outcome.manifest, folder, QUIET)}
    assert set(told) >= {capture.id for capture in outcome.record.captures}
    assert (told["gone"].stage, told["gone"].reuse) == ("read", False)
    assert told["gone"].reason == "missing: the run rejects it"


@pytest.mark.parametrize("step", ["locate.locate", "measure.measure"])
def test_a_bug_at_one_capture_does_not_end_the_night(
    session, processed, tmp_path, monkeypatch, step
):
    module, _, name = f"pipeline.run.tasks.{step}".rpartition(".")
    usual = getattr(import_module(module), name)
    failed = []

    def failing(*given, **keys):
        if not failed:
            failed.append(True)
            msg = "nobody foresaw it"
            raise IndexError(msg)
        return usual(*given, **keys)

    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with monkeypatch.context() as patch:
        patch.setattr(f"{module}.{name}", failing)
        (broken,) = run_manifests([session.manifest], tmp_path / "out", QUIET)
    (bad,) = (c for c in broken.record.captures if "bug" in codes(c))
    assert (broken.status, bad.status, bad.output) == (3, "rejected", None)
    (trace,) = tmp_path.glob("reamps-bug-*.txt")
    assert str(trace) in {f.code: f for f in bad.findings}["bug"].message
    assert "nobody foresaw it" in trace.read_text(encoding="utf-8")
    assert sum(c.output is not None for c in broken.record.captures) == 3
    # It is not kept: the next run, of a mended program, tries again.
    (again,) = run_manifests([session.manifest], tmp_path / "out", QUIET)
    made = processed[0].record.created
    assert again.record.model_copy(update={"created": made}) == processed[0].record


def test_the_di_among_the_captures_is_named(tmp_path):
    listed = '[[capture]]\nid = "dry"\nfile = "audio/di.wav"\n'
    session = write_session(tmp_path, extra=listed)
    outcome = run_check(session.manifest, QUIET)
    dry = by_id(outcome.record)["dry"]
    assert dry.status == "flagged"
    assert "The DI itself" in {f.code: f for f in dry.findings}["duplicate"].message


def test_a_manifest_is_no_runs_folder(session):
    with pytest.raises(RecordError, match="give the folder that `reamps run` wrote"):
        read_record(session.manifest)


def test_hostile_names_are_text(broken):
    _, folder, _, _ = broken
    assert "<script>alert(1)" not in (folder / "index.html").read_text("utf-8")


def test_sources_are_untouched(broken):
    _, _, before, after = broken
    assert before == after


def test_a_session_without_a_di_is_refused(tmp_path):
    session = write_session(tmp_path)
    (tmp_path / "audio" / "di.wav").unlink()
    with pytest.raises(ReampsError, match=r"The DI cannot be used.*di\.wav"):
        run_manifests([session.manifest], tmp_path / "out", QUIET)


def test_an_output_among_the_sources_is_refused(tmp_path):
    session = write_session(tmp_path)
    with pytest.raises(OutputError, match="Choose another folder"):
        run_manifests([session.manifest], tmp_path, QUIET)


def test_check_writes_nothing(session, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    before = sorted(session.manifest.parent.rglob("*"))
    outcome = run_check(session.manifest, QUIET)
    assert outcome.status == 0
    assert sorted(session.manifest.parent.rglob("*")) == before
    assert list(tmp_path.iterdir()) == []
    assert json.dumps(outcome.as_json())


def test_workers_do_not_change_the_result(session, processed, tmp_path):
    outcome, folder = processed
    two = Options(jobs=2, quiet=True)
    (other,) = run_manifests([session.manifest], tmp_path, two)
    made = outcome.record.created
    assert other.record.model_copy(update={"created": made}) == outcome.record
    for capture in outcome.record.captures:
        file = capture.output.file
        assert (tmp_path / file).read_bytes() == (folder / file).read_bytes()


def test_a_loud_target_is_lowered_for_all(tmp_path):
    head = ""
    session = write_session(tmp_path, head=head)
    text = session.manifest.read_text(encoding="utf-8")
    text = text.replace("[di]", "[loudness]\ntarget_lufs = -6.0\n[di]", 1)
    session.manifest.write_text(text, encoding="utf-8")
    (outcome,) = run_manifests([session.manifest], tmp_path / "out", QUIET)
    target = outcome.record.loudness
    assert target.effective_target_lufs < -6.0
    made = {**by_id(outcome.record), **{b.id: b for b in outcome.record.blends}}
    assert target.lowered_for in made
    peaks = [sound.loudness.true_peak_dbtp for sound in made.values()]
    assert max(peaks) <= -1.0
    assert max(peaks) == pytest.approx(-1.0, abs=0.02)
    levels = {sound.loudness.lufs for sound in made.values()}
    assert max(levels) - min(levels) < 0.01


def decided(session, folder):
    return {(d.id, d.stage): d for d in explain(session.manifest, folder, QUIET)}


def test_a_second_run_does_no_signal_work(session, processed, tmp_path, monkeypatch):
    _, folder = processed
    shutil.copytree(folder, tmp_path / "again")
    for path in (
        "locating.locate_early",
        "judging.measure_early",
        "locating.describe_early",
        "relating.relate_pass",
        "blending.measure_blend",
        "writing.write_early",
    ):
        monkeypatch.setattr(f"pipeline.run.{path}", refuse_to_work)
    (outcome,) = run_manifests([session.manifest], tmp_path / "again", QUIET)
    made = processed[0].record.created
    assert outcome.record.model_copy(update={"created": made}) == processed[0].record


def test_a_run_says_what_it_used_again(session, processed, tmp_path, capsys):
    shutil.copytree(processed[1], tmp_path / "again")
    loud = Options(jobs=1, quiet=False)
    run_manifests([session.manifest], tmp_path / "again", loud)
    made = len(decided(session, tmp_path / "again"))
    assert f"Nothing changed: all {made} results were used again." in (
        capsys.readouterr().err
    )
    (tmp_path / "again" / "audio" / "close.wav").unlink()
    run_manifests([session.manifest], tmp_path / "again", loud)
    assert f"{made - 1} of {made} results were used again." in capsys.readouterr().err


def test_a_run_again_keeps_the_picks_on_the_page(session, processed, tmp_path):
    outcome, folder = processed
    shutil.copytree(folder, tmp_path / "again")
    id_ = outcome.record.captures[0].id
    said = {"shortlist": "0", "seal": "0", "by": "Ash", "blind": False, "comments": ()}
    times = {"saved": "2031-05-18T09:00:00Z", "merged": "2031-05-18T10:00:00Z"}
    pick = Pick(**said, **times, order=(Named(id=id_, name="B2"),))
    write_picks(tmp_path / "again", PicksBook(format=1, picks=(pick,)))
    (outcome,) = run_manifests([session.manifest], tmp_path / "again", QUIET)
    assert "heard as \u201cB2\u201d" in outcome.page.read_text(encoding="utf-8")


def test_damaged_picks_are_refused_before_the_work(session, tmp_path, monkeypatch):
    monkeypatch.setattr("pipeline.run.service.run_session", refuse_to_work)
    (tmp_path / "picks.json").write_text("{}", encoding="utf-8")
    with pytest.raises(RecordError, match="restore it or move it away"):
        run_manifests([session.manifest], tmp_path, QUIET)


def refuse_to_work(*task):
    raise AssertionError(task)


def test_explain_tells_what_the_run_will_do(session, processed, tmp_path):
    first = decided(session, tmp_path / "new")
    assert not any(decision.reuse for decision in first.values())
    assert not (tmp_path / "new").exists()
    again = decided(session, processed[1])
    assert all(decision.reuse for decision in again.values())
    assert ("close", "write") in again


def test_another_target_only_writes_again(tmp_path):
    session = write_session(tmp_path)
    run_manifests([session.manifest], tmp_path / "out", QUIET)
    text = session.manifest.read_text(encoding="utf-8")
    text = text.replace("[di]", "[loudness]\ntarget_lufs = -27.0\n[di]", 1)
    session.manifest.write_text(text, encoding="utf-8")
    decisions = decided(session, tmp_path / "out")
    ran = {(d.stage, d.reason) for d in decisions.values() if not d.reuse}
    assert ran == {("write", "gain changed")}
    (outcome,) = run_manifests([session.manifest], tmp_path / "out", QUIET)
    for capture in outcome.record.captures:
        assert capture.loudness.lufs == pytest.approx(-27.0, abs=0.001)
        path = tmp_path / "out" / capture.output.file
        assert read_bext(path).loudness_value_lufs == pytest.approx(-27.0, abs=0.01)


def test_one_more_capture_is_one_more_capture(tmp_path):
    session = write_session(tmp_path)
    run_manifests([session.manifest], tmp_path / "out", QUIET)
    soundfile.write(
        tmp_path / "audio" / "p09.wav", rig(plucks(1), 5.0, 4000.0), RATE, "PCM_24"
    )
    with session.manifest.open("a", encoding="utf-8") as file:
        file.write('[[capture]]\nfile = "audio/p09.wav"\nsetup = "low"\n')
    decisions = decided(session, tmp_path / "out")
    ran = {d.id for d in decisions.values() if not d.reuse and d.stage != "write"}
    assert ran == {"p09"}
    before = {p: p.stat().st_mtime_ns for p in (tmp_path / "out/audio").iterdir()}
    run_manifests([session.manifest], tmp_path / "out", QUIET)
    assert all(path.stat().st_mtime_ns == time for path, time in before.items())


def test_a_changed_source_is_seen(tmp_path):
    session = write_session(tmp_path)
    run_manifests([session.manifest], tmp_path / "out", QUIET)
    path = tmp_path / "audio" / "p02.wav"
    samples, _ = soundfile.read(path)
    soundfile.write(path, 0.5 * samples, RATE, "PCM_24")
    decisions = decided(session, tmp_path / "out")
    assert decisions["loud", "locate"].reason == "source changed"
    assert not decisions["loud", "measure"].reuse
    assert decisions["close", "locate"].reuse


def louder(session, _):
    text = session.manifest.read_text(encoding="utf-8")
    text = text.replace("[di]", "[loudness]\ntarget_lufs = -27.0\n[di]", 1)
    session.manifest.write_text(text, encoding="utf-8")


def one_more(session, _):
    path = session.manifest.parent / "audio" / "p09.wav"
    soundfile.write(path, rig(plucks(1), 5.0, 4000.0), RATE, "PCM_24")
    with session.manifest.open("a", encoding="utf-8") as file:
        file.write('[[capture]]\nfile = "audio/p09.wav"\nsetup = "low"\n')


def another_source(session, _):
    path = session.manifest.parent / "audio" / "p02.wav"
    samples, _ = soundfile.read(path)
    soundfile.write(path, 0.5 * samples, RATE, "PCM_24")


def lost_output(_, folder):
    (folder / "audio" / "close.wav").unlink()


def lost_results(_, folder):
    for path in (folder / ".kept").glob("measure-*"):
        path.unlink()


def other_program(*_):
    pass  # its number is raised by the test


CHANGES = (louder, one_more, another_source, lost_output, lost_results, other_program)


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.__name__)
def test_the_run_does_what_explain_said(
    session, processed, tmp_path, monkeypatch, change
):
    shutil.copytree(session.manifest.parent, tmp_path / "night")
    shutil.copytree(processed[1], tmp_path / "out")
    changed = replace(session, manifest=tmp_path / "night" / "session.toml")
    keepers = []

    class Watched(Keeper):
        def __init__(self, *words, **options):
            super().__init__(*words, **options)
            keepers.append(self)

    monkeypatch.setattr("pipeline.run.service.Keeper", Watched)
    change(changed, tmp_path / "out")
    if change is other_program:
        monkeypatch.setattr("pipeline.run.around.STAGE_VERSION", 10**6)
    said = decided(changed, tmp_path / "out")
    run_manifests([changed.manifest], tmp_path / "out", QUIET)
    did = {(d.id, d.stage): d for d in keepers[-1].decisions}
    assert any(not d.reuse for d in said.values())
    later = {key for key, decision in said.items() if decision.reason == LATER}
    for key in said.keys() - later:
        assert did[key] == said[key]
    assert later <= did.keys()
    if not later:
        assert said.keys() == did.keys()


def test_a_lost_output_is_written_again(session, processed, tmp_path):
    shutil.copytree(processed[1], tmp_path / "out")
    (tmp_path / "out" / "audio" / "close.wav").unlink()
    (tmp_path / "out" / "audio" / "dark.wav").write_bytes(b"torn")
    run_manifests([session.manifest], tmp_path / "out", QUIET)
    for name in ("close", "dark"):
        file = f"audio/{name}.wav"
        expected = (processed[1] / file).read_bytes()
        assert (tmp_path / "out" / file).read_bytes() == expected


def test_an_output_that_is_no_longer_wanted_goes(tmp_path):
    session = write_session(tmp_path)
    run_manifests([session.manifest], tmp_path / "out", QUIET)
    (tmp_path / "out" / "audio" / "mine.txt").write_text("kept", encoding="utf-8")
    text = session.manifest.read_text(encoding="utf-8")
    session.manifest.write_text(text.replace('"loud"', '"louder"'), encoding="utf-8")
    run_manifests([session.manifest], tmp_path / "out", QUIET)
    names = {path.name for path in (tmp_path / "out" / "audio").iterdir()}
    assert names == {"close.wav", "dark.wav", "louder.wav", "early.wav", "mine.txt"}


def test_trims_by_ear_are_used(tmp_path):
    session = write_session(tmp_path)
    (plain,) = run_manifests([session.manifest], tmp_path / "out", QUIET)
    trims = tmp_path / "out" / "trims.json"
    trims.write_text('{"close": -1.5, "dark": 0}', encoding="utf-8")
    (trimmed,) = run_manifests([session.manifest], tmp_path / "out", QUIET)
    before, after = by_id(plain.record), by_id(trimmed.record)
    assert after["close"].loudness.trim_db == -1.5
    assert after["close"].loudness.lufs == pytest.approx(-24.5, abs=0.01)
    assert after["dark"].loudness == before["dark"].loudness


@pytest.mark.parametrize(
    "text", ["", "[]", '{"close": "2"}', '{"close": 40}', '{"close": NaN}']
)
def test_other_trims_are_refused(tmp_path, text):
    session = write_session(tmp_path)
    (tmp_path / "trims.json").write_text(text, encoding="utf-8")
    with pytest.raises(ReampsError, match=r"trims\.json"):
        run_manifests(
            [session.manifest],
            tmp_path / "out",
            QUIET,
            trims=tmp_path / "trims.json",
        )
