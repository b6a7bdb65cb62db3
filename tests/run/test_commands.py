"""The commands as a shell sees them: exit statuses, and what goes where."""

import json
import signal
import sys

import pytest
import soundfile

from pipeline import __main__ as boundary
from pipeline import cli, interruption
from tests.run.sessions import RATE, plucks, write_session


def reamps(monkeypatch, *words):
    monkeypatch.setattr(sys, "argv", ["reamps", *map(str, words)])
    with pytest.raises(SystemExit) as ended:
        boundary.main()
    return ended.value.code


@pytest.fixture(autouse=True)
def signals_that_stay():
    # A command takes them over for good: its process ends with it.
    usual = {number: signal.getsignal(number) for number in interruption.SIGNALS}
    yield
    signal.set_wakeup_fd(-1)
    for number, handler in usual.items():
        signal.signal(number, handler)


@pytest.fixture(autouse=True)
def streams_that_stay(monkeypatch):
    # pytest's captured streams cannot change their encoding.
    for stream in (sys.stdout, sys.stderr):
        monkeypatch.setattr(stream, "reconfigure", lambda **_: None, raising=False)


def test_run_prints_the_page_alone(session, tmp_path, monkeypatch, capsys):
    status = reamps(
        monkeypatch, "run", session.manifest, "--out", tmp_path, "--jobs", 1
    )
    out, err = capsys.readouterr()
    assert status == 0
    assert out == f"{tmp_path / 'index.html'}\n"
    # One microphone is the other way round, one capture starts late.
    assert err.splitlines()[-1] == "Tin shed: 2 fine, 2 flagged, 0 rejected"


def test_run_as_json(session, tmp_path, monkeypatch, capsys):
    words = ("run", session.manifest, "-o", tmp_path, "-j", 1, "-q", "--json")
    assert reamps(monkeypatch, *words) == 0
    out, err = capsys.readouterr()
    (result,) = json.loads(out)["sessions"]
    assert result["record"]["format"] == 1
    assert err == ""


def test_rejected_captures_end_with_4(tmp_path, monkeypatch, capsys):
    session = write_session(
        tmp_path, extra='[[capture]]\nid = "x"\nfile = "audio/x.wav"\n'
    )
    soundfile.write(tmp_path / "audio/x.wav", plucks(77), RATE)
    words = ("check", session.manifest, "-j", 1, "--json")
    assert reamps(monkeypatch, *words) == 4
    out, err = capsys.readouterr()
    status = {c["id"]: c["status"] for c in json.loads(out)["record"]["captures"]}
    assert status["x"] == "rejected"
    assert "not_this_di" in err


def test_a_refusal_ends_with_1_and_says_what_to_do(tmp_path, monkeypatch, capsys):
    assert reamps(monkeypatch, "run", tmp_path / "no.toml") == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "give the path of a TOML file" in err


@pytest.mark.parametrize(
    "words", [("run",), ("nonsense",), ("run", "x", "--jobs", "0"), ("run", "--what")]
)
def test_wrong_usage_ends_with_2(monkeypatch, capsys, words):
    assert reamps(monkeypatch, *words) == 2
    assert capsys.readouterr().out == ""


def test_a_bug_ends_with_3_and_keeps_its_trace(monkeypatch, capsys, tmp_path):
    def broken():
        message = "planted"
        raise ZeroDivisionError(message)

    monkeypatch.setattr(cli, "app", lambda **_: broken())
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))
    assert reamps(monkeypatch, "run") == 3
    (kept,) = tmp_path.iterdir()
    assert "planted" in kept.read_text(encoding="utf-8")
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert str(kept) in err


def test_an_interruption_ends_with_130(monkeypatch, capsys):
    def interrupted(**_):
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "app", interrupted)
    assert reamps(monkeypatch, "run") == 130
    assert "run the same command to go on" in capsys.readouterr().err


def test_the_schema_is_one(monkeypatch, capsys):
    # JSON Schema, as pydantic writes it: properties by their written names.
    assert reamps(monkeypatch, "schema") == 0
    schema = json.loads(capsys.readouterr().out)
    assert schema["type"] == "object"
    assert "pass" in schema["$defs"]["Capture"]["properties"]


def test_one_refusal_does_not_stop_the_others(session, tmp_path, monkeypatch, capsys):
    words = ("run", tmp_path / "no.toml", session.manifest, "-o", tmp_path, "-j", 1)
    assert reamps(monkeypatch, *words) == 1
    out, _ = capsys.readouterr()
    assert out == f"{tmp_path / 'tin-shed' / 'index.html'}\n"


def test_help_names_every_command(monkeypatch, capsys):
    assert reamps(monkeypatch, "--help") == 0
    text = capsys.readouterr().out
    for command in ("demo", "check", "run", "report", "schema", "explain", "library"):
        assert command in text
