"""Memory is used again where the C library can be told so, else nothing happens."""

import ctypes
import platform
import subprocess
import sys

import pytest

from pipeline.run.memory import hold_freed_memory

# Pages that the system hands out, for the same megabyte a hundred times.
FAULTS = """
import resource, sys
import numpy as np
from pipeline.run.memory import hold_freed_memory
if sys.argv[1] == "hold":
    assert hold_freed_memory()
def work():
    np.ones(1 << 20, np.uint8)
    np.ones(1 << 21, np.uint8)
work()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(100):
    work()
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="no GNU C library")
def test_freed_memory_is_used_again():
    def faults(word):
        command = (sys.executable, "-c", FAULTS, word)
        return int(subprocess.run(command, capture_output=True, check=True).stdout)

    assert faults("hold") < 100


@pytest.mark.parametrize("error", [AttributeError, OSError, TypeError])
def test_other_c_libraries_are_left_alone(monkeypatch, error):
    def refuse(_name):
        raise error

    monkeypatch.setattr(ctypes, "CDLL", refuse)
    assert hold_freed_memory() is False
