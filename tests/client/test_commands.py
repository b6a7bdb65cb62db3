"""The two commands, as a person types them."""

import json

import client_night
import typer
from typer.testing import CliRunner

from pipeline.client.commands import add_commands
from pipeline.errors import RecordError

IDS = client_night.IDS


def ask(*words, stdin=None):
    app = typer.Typer()
    add_commands(app)
    return CliRunner().invoke(app, [str(word) for word in words], input=stdin)


def test_prints_the_page_alone(night, tmp_path):
    page = tmp_path / "page.html"
    found = ask("shortlist", night, *IDS[:3], "-o", page, "--name", f"{IDS[0]}=B = C")
    assert found.exit_code == 0, found.output
    assert found.stdout.strip() == str(page)
    assert "B = C" in page.read_text(encoding="utf-8")
    assert "MB decoded" in found.stderr


def test_default_page_never_replaces_one_that_was_sent(night):
    pages = {ask("shortlist", night).stdout.strip() for _ in range(2)}
    assert len(pages) == 2
    assert len(list((night / "shortlists").iterdir())) == 2


def test_json_names_the_reference_s_order(night, tmp_path):
    reference = night / "audio" / f"{IDS[3]}.wav"
    found = ask(
        "shortlist",
        night,
        "--json",
        "-o",
        tmp_path / "p.html",
        "--reference",
        reference,
    )
    result = json.loads(found.stdout)
    assert next(iter(result["reference_distance_db"])) == IDS[3]
    assert "mastered reference" in found.stderr


def test_wrong_usage(night):
    assert ask("shortlist", night, "--name", "nothing").exit_code == 2
    assert ask("shortlist", night, "--max-mb", "0").exit_code == 2


def test_refusals_are_messages(night, tmp_path):
    for words in (
        ("picks", night, tmp_path / "absent.json"),
        ("picks", tmp_path, tmp_path / "absent.json"),
        ("shortlist", tmp_path),
    ):
        assert isinstance(ask(*words).exception, RecordError)
    found = ask("picks", night, "-", stdin="hello")
    assert isinstance(found.exception, RecordError)
    assert "standard input" in str(found.exception)
