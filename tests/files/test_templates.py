"""Compiled templates: kept where they may be, and never another page for it."""

import subprocess
import sys

import pytest
from jinja2 import Environment
from jinja2.exceptions import UndefinedError

from pipeline.files.templates import open_template

HEAD = "{% macro head(word) %}<h1>{{ word }}</h1>{% endmacro %}"
PAGE = """{% from "head.j2" import head %}{{ head(word) }}{% if word %}
  yes
{% endif %}"""
SHOWN = "<h1>A &amp; B</h1>  yes\n"


@pytest.fixture
def kept(tmp_path, monkeypatch):
    """Folder in which what is compiled is kept, for a small package of its own."""
    templates = tmp_path / "source/small_pages/templates"
    templates.mkdir(parents=True)
    (templates.parent / "__init__.py").touch()
    (templates / "head.j2").write_text(HEAD)
    (templates / "page.j2").write_text(PAGE)
    monkeypatch.syspath_prepend(tmp_path / "source")
    monkeypatch.delitem(sys.modules, "small_pages", raising=False)
    monkeypatch.setattr(sys, "pycache_prefix", None)
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    yield templates / "__pycache__"
    open_template.cache_clear()


def shown():
    """Show the page as a new process would."""
    open_template.cache_clear()
    return open_template("small_pages", "page.j2").render(word="A & B")


def refuse(*_args, **_named):
    message = "a template was compiled"
    raise AssertionError(message)


def test_kept_templates_are_not_compiled_again(kept, monkeypatch):
    assert shown() == SHOWN
    assert len(list(kept.iterdir())) == 2
    monkeypatch.setattr(Environment, "compile", refuse)
    assert shown() == SHOWN


def test_a_changed_template_is_compiled_again(kept):
    shown()
    (kept.parent / "head.j2").write_text(HEAD.replace("h1", "h2"))
    assert shown() == SHOWN.replace("h1", "h2")
    assert len(list(kept.iterdir())) == 2


@pytest.mark.parametrize("tail", [b"", bytes(4096)], ids=["cut", "zeros"])
def test_what_is_damaged_is_compiled_again(kept, tail):
    shown()
    whole = {path: path.read_bytes() for path in kept.iterdir()}
    for share in range(50):
        for path, content in whole.items():
            path.write_bytes(content[: len(content) * share // 50] + tail)
        assert shown() == SHOWN
    assert {path: path.read_bytes() for path in kept.iterdir()} == whole


def test_nothing_is_kept_where_python_may_write_no_bytecode(kept, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert shown() == SHOWN
    assert not kept.exists()


@pytest.mark.usefixtures("kept")
def test_what_is_kept_is_read_where_no_bytecode_may_be_written(monkeypatch):
    # As Python does it with modules.
    shown()
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    monkeypatch.setattr(Environment, "compile", refuse)
    assert shown() == SHOWN


def test_a_place_that_cannot_be_written_is_done_without(kept):
    kept.write_text("in the way")
    assert shown() == SHOWN
    assert kept.read_text() == "in the way"


def test_a_place_that_cannot_be_replaced_is_done_without(kept):
    shown()
    for path in list(kept.iterdir()):
        path.unlink()
        path.mkdir()
    assert shown() == SHOWN
    assert all(path.is_dir() for path in kept.iterdir())


def test_the_place_follows_that_of_compiled_modules(kept, monkeypatch, tmp_path):
    monkeypatch.setattr(sys, "pycache_prefix", str(tmp_path / "elsewhere"))
    assert shown() == SHOWN
    assert not kept.exists()
    inside = tmp_path / "elsewhere" / kept.parent.relative_to(kept.anchor)
    assert len(list(inside.iterdir())) == 2


def test_processes_that_compile_at_once_leave_whole_files(kept):
    script = (
        f"import sys; sys.path.insert(0, {str(kept.parents[2])!r}); "
        "sys.dont_write_bytecode = False; sys.pycache_prefix = None; "
        "from pipeline.files.templates import open_template; "
        "input(); "
        "print(open_template('small_pages', 'page.j2').render(word='A & B'), end='')"
    )
    command = (sys.executable, "-c", script)
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    processes = [subprocess.Popen(command, **pipes) for _ in range(4)]
    for process in processes:
        process.stdin.write("\n")
        process.stdin.flush()
    assert [process.communicate()[0] for process in processes] == [SHOWN] * 4
    assert [path.suffix for path in kept.iterdir()] == [".cache"] * 2


def test_what_is_not_defined_raises(kept):
    (kept.parent / "page.j2").write_text("{{ nobody }}")
    with pytest.raises(UndefinedError, match="nobody"):
        shown()


def test_filters_are_known_by_their_names(kept):
    (kept.parent / "page.j2").write_text("{{ word | loud }}")
    template = open_template("small_pages", "page.j2", loud=str.upper)
    assert template.render(word="b<") == "B&lt;"
