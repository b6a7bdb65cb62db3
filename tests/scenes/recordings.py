"""Real guitar recordings, where the machine has some.

Nothing is shipped: files are looked for in the folder named by the environment
variable ``REAMPS_REAL_AUDIO``, in an installed ``audioflux`` package (its
sample data) and in the free sample set that Debian packages for music coding.
"""

import importlib.util
import os
from pathlib import Path

import numpy as np
import soundfile

from .arrays import Array

FOLDER_VARIABLE = "REAMPS_REAL_AUDIO"
DEBIAN_FOLDER = Path("/usr/share/sonic-pi/samples")
NAMES = (
    "guitar_chord2.wav",
    "guit_em9.flac",
    "guit_e_fifths.flac",
    "guit_e_slide.flac",
)


def _folders() -> list[Path]:
    folders = [DEBIAN_FOLDER]
    package = importlib.util.find_spec("audioflux")
    if package is not None and package.origin is not None:
        folders.insert(0, Path(package.origin).parent / "utils" / "sample_data")
    if os.environ.get(FOLDER_VARIABLE):
        folders.insert(0, Path(os.environ[FOLDER_VARIABLE]))
    return folders


def real_recordings() -> dict[str, tuple[Array, int]]:
    """Return the recordings found: stem -> (mono float64, sample rate in Hz)."""
    found: dict[str, tuple[Array, int]] = {}
    for folder in _folders():
        for name in NAMES:
            path = folder / name
            if path.stem in found or not path.is_file():
                continue
            sound, rate = soundfile.read(path, dtype="float64", always_2d=True)
            found[path.stem] = (np.ascontiguousarray(sound[:, 0]), int(rate))
    return found
