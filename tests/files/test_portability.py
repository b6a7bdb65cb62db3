"""The program must run on macOS, Windows and Linux: its sources are searched.

Which modules and names exist on POSIX systems only: the "Availability" notes of
the Python library reference.
"""

import ast
from pathlib import Path

import pytest

from pipeline.run.begin import ready_to_begin


def words(text):
    return frozenset(text.split())


PACKAGE = Path(__file__).parents[2] / "pipeline"
SOURCES = sorted(PACKAGE.rglob("*.py"))
POSIX_MODULES = words(
    "fcntl grp nis ossaudiodev posix pty pwd readline resource spwd syslog "
    "termios tty curses crypt "
)
WINDOWS_MODULES = frozenset({"msvcrt", "winreg", "winsound", "nt", "_winapi"})
POSIX_NAMES = {
    "os": words(
        "fork forkpty mkfifo mknod chown lchown chroot getuid geteuid getgid "
        "getegid setuid setgid setsid getpgid getpgrp killpg nice uname wait "
        "wait3 wait4 waitid pathconf fpathconf sysconf statvfs fstatvfs "
        "posix_fallocate posix_fadvise sched_getaffinity sched_setaffinity "
        "pread pwrite preadv pwritev sendfile copy_file_range memfd_create "
        "lockf fchmod fchown fchdir fdatasync sync getloadavg openpty ttyname "
        "tcgetpgrp initgroups setpriority getpriority O_NONBLOCK O_CLOEXEC "
        "O_DIRECT O_NOFOLLOW O_SYNC WNOHANG kill "
    ),
    "signal": words(
        "SIGKILL SIGHUP SIGUSR1 SIGUSR2 SIGALRM SIGCHLD SIGPIPE SIGQUIT SIGSTOP "
        "SIGCONT alarm setitimer pause sigwait pthread_kill pthread_sigmask "
    ),
    "time": frozenset({"tzset", "clock_settime", "pthread_getcpuclockid"}),
    "socket": frozenset({"AF_UNIX", "socketpair"}),
    "asyncio": frozenset({"open_unix_connection", "start_unix_server"}),
}
TEXT_METHODS = {"read_text": 0, "write_text": 1}
FORK = frozenset({"fork", "forkserver"})


def _imports(node):
    if isinstance(node, ast.Import):
        return [(alias.name, ()) for alias in node.names]
    if isinstance(node, ast.ImportFrom) and node.module and not node.level:
        return [(node.module, tuple(alias.name for alias in node.names))]
    return []


def _import_complaints(node):
    for module, names in _imports(node):
        root = module.split(".")[0]
        if root in POSIX_MODULES | WINDOWS_MODULES:
            yield f"imports {module}"
        for name in sorted(set(names) & POSIX_NAMES.get(module, frozenset())):
            yield f"imports {module}.{name}"


def _name_complaints(node):
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
        if node.attr in POSIX_NAMES.get(node.value.id, frozenset()):
            yield f"uses {node.value.id}.{node.attr}"
        if node.value.id == "multiprocessing" and node.attr in FORK:
            yield f"uses multiprocessing.{node.attr}"


def _is_binary(mode):
    return isinstance(mode, ast.Constant) and "b" in str(mode.value)


def _text_complaints(node):
    """Text without a named encoding, or with the line ends of the system."""
    if not isinstance(node, ast.Call):
        return
    named = {keyword.arg for keyword in node.keywords}
    if "encoding" in named or None in named:
        return
    function = node.func
    name = function.attr if isinstance(function, ast.Attribute) else None
    if name in TEXT_METHODS and len(node.args) <= TEXT_METHODS[name]:
        yield f"calls {name} without an encoding"
    builtin = isinstance(function, ast.Name) and function.id == "open"
    if builtin or (name == "open" and _opens_text(function)):
        place = 1 if builtin else 0
        modes = [k.value for k in node.keywords if k.arg == "mode"]
        modes += node.args[place : place + 1]
        if not any(_is_binary(mode) for mode in modes):
            yield "opens text without an encoding"


def _opens_text(function):
    """``x.open`` of a path; not of modules and archives, which open bytes."""
    owner = function.value
    name = owner.attr if isinstance(owner, ast.Attribute) else getattr(owner, "id", "")
    modules = {"os", "webbrowser", "zipfile", "tarfile", "gzip", "Image", "wave"}
    return name not in modules and name.strip("_") != "archive"


def _fork_complaints(node):
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
        asked = {a.value for a in node.args if isinstance(a, ast.Constant)}
        if node.func.attr in ("get_context", "set_start_method") and asked & FORK:
            yield f"asks for {min(asked & FORK)}"


CHECKS = (_import_complaints, _name_complaints, _text_complaints, _fork_complaints)


def complaints(source):
    """What in a source text would fail on another system, by line."""
    return [
        f"line {node.lineno} {text}"
        for node in ast.walk(ast.parse(source))
        for check in CHECKS
        for text in check(node)
    ]


def test_there_are_sources_to_search():
    assert len(SOURCES) > 10


# Where workers begin, Linux may do what others cannot; tested below.
KNOWN = {"run/begin.py": {"asks for forkserver"}}


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_sources_are_portable(path):
    known = KNOWN.get(path.relative_to(PACKAGE).as_posix(), set())
    found = complaints(path.read_text(encoding="utf-8"))
    assert [text for text in found if text.split(" ", 2)[2] not in known] == []


@pytest.mark.parametrize("platform", ["darwin", "win32"])
def test_workers_are_spawned_where_forks_cannot_go_on(monkeypatch, platform):
    monkeypatch.setattr("pipeline.run.begin.sys.platform", platform)
    assert ready_to_begin().get_start_method() == "spawn"


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("import fcntl", "imports fcntl"),
        ("def f():\n    import resource", "imports resource"),
        ("from pwd import getpwnam", "imports pwd"),
        ("from os import fork", "imports os.fork"),
        ("import os\nos.mkfifo('x')", "uses os.mkfifo"),
        ("import os\nos.kill(1, 0)", "uses os.kill"),
        ("import signal\nsignal.SIGKILL", "uses signal.SIGKILL"),
        ("open('x')", "opens text without an encoding"),
        ("open('x', 'w')", "opens text without an encoding"),
        ("path.open()", "opens text without an encoding"),
        ("path.read_text()", "calls read_text without an encoding"),
        ("path.write_text('x')", "calls write_text without an encoding"),
        ("multiprocessing.get_context('fork')", "asks for fork"),
        ("import msvcrt", "imports msvcrt"),
    ],
)
def test_the_search_finds(source, found):
    assert [text.split(" ", 2)[2] for text in complaints(source)] == [found]


@pytest.mark.parametrize(
    "source",
    [
        "import os\nos.replace('a', 'b')",
        "import os\nos.open('x', os.O_RDONLY)",
        "open('x', 'rb')",
        "open('x', mode='wb')",
        "open('x', encoding='utf-8')",
        "path.open('xb')",
        "path.read_text('utf-8')",
        "path.write_text('x', encoding='utf-8')",
        "path.read_bytes()",
        "multiprocessing.get_context('spawn')",
        "getattr(os, 'O_NONBLOCK', 0)",
    ],
)
def test_the_search_lets_pass(source):
    assert complaints(source) == []
