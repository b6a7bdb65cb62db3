"""Authority: noise whose third-octave levels follow from how it was made.

White noise has equal power in each Hz, so a third octave holds 10 log10 of its
bandwidth; a filter that is a power of the frequency tilts that by 20 n dB a decade.
Here files are measured by the product, not by a stand-in.
"""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import ReampsError
from pipeline.library.catalogue import Catalogue
from tests.library import invented

TILTS = (-1.0, -0.75, -0.5, -0.25, 0.0)
"""Amplitude over frequency, as a power: from -20 dB a decade to white."""
BUMP_HZ, BUMP_DB = 1_000.0, 4.0


def gain_db(hz: np.ndarray, tilt: float) -> np.ndarray:
    """What the filter does: a tilt, and a bell of one octave."""
    bell = BUMP_DB * np.exp(-(np.log2(hz / BUMP_HZ) ** 2))
    return 20 * tilt * np.log10(hz / 1000) + bell


def levels(tilt: float) -> list[float]:
    """Third-octave levels of filtered white noise, at the centres."""
    hz = np.array(invented.BANDS)
    return (10 * np.log10(hz) + gain_db(hz, tilt)).round(3).tolist()


def noise(tilt: float, rate: int, seed: int, length_s: float = 8.0) -> np.ndarray:
    """Filtered noise in bursts, as notes come and go."""
    rng = np.random.default_rng(seed)
    count = int(rate * length_s)
    spectrum = np.fft.rfft(rng.normal(0, 1, count))
    hz = np.fft.rfftfreq(count, 1 / rate)
    spectrum *= 10 ** (gain_db(np.maximum(hz, 20.0), tilt) / 20)
    sound = np.fft.irfft(spectrum, count)
    playing = np.arange(count) // int(0.7 * rate) % 3 < 2
    return 0.05 * sound / sound.std() * playing


@pytest.fixture(scope="module")
def tones(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A library of one night; capture k has the tilt TILTS[k - 1]."""
    root = tmp_path_factory.mktemp("heard")
    night = invented.night(4, len(TILTS))
    for capture, tilt in zip(night["captures"], TILTS, strict=True):
        capture["curves"]["third_octave_db"] = levels(tilt)
    with Catalogue(root / "library") as library:
        library.add(invented.write(root / "run", night))
    return root / "library"


def nearest(library: Path, file: Path) -> list[dict[str, float]]:
    words = ["library", "similar", "--to", str(file), "--as", "json"]
    done = CliRunner().invoke(app, [*words, "--library", str(library)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == 0
    assert "finished mix" in done.stderr
    found: list[dict[str, float]] = json.loads(done.stdout)
    return found


@pytest.mark.parametrize("k", range(len(TILTS)))
@pytest.mark.parametrize(
    ("ending", "rate", "subtype"),
    [("wav", 48_000, "PCM_24"), ("flac", 44_100, "PCM_16"), ("wav", 96_000, "FLOAT")],
)
def test_the_tilt_that_was_played_is_nearest(
    tones: Path, tmp_path: Path, k: int, ending: str, rate: int, subtype: str
) -> None:
    """Levels of other rates, formats and seeds; the runner-up is 5 dB a decade off.

    The effective value of that tilt over the 21 bands (two decades, evenly spaced):
    5 * 0.1 * sqrt((21^2 - 1) / 12) = 3.0 dB. Noise of 8 s scatters each band by
    about 10 / ln(10) / sqrt(bandwidth * time), 0.5 dB at 80 Hz and less above.
    """
    file = tmp_path / f"reference.{ending}"
    soundfile.write(file, noise(TILTS[k], rate, seed=10 + k), rate, subtype)
    found = nearest(tones, file)
    assert found[0]["number"] == k + 1
    assert found[0]["distance_db"] < 0.5
    assert found[1]["distance_db"] == pytest.approx(3.0, abs=0.5)


def test_level_and_channels_do_not_count(tones: Path, tmp_path: Path) -> None:
    """30 dB down, one channel silent: the same ranking and distances."""
    sound = noise(TILTS[1], 48_000, seed=3)
    soundfile.write(tmp_path / "mono.wav", sound, 48_000, "FLOAT")
    pair = np.column_stack([np.zeros_like(sound), sound * 10 ** (-30 / 20)])
    soundfile.write(tmp_path / "pair.wav", pair, 48_000, "FLOAT")
    mono, both = (nearest(tones, tmp_path / f"{name}.wav") for name in ("mono", "pair"))
    assert [row["number"] for row in mono] == [row["number"] for row in both]
    assert [row["distance_db"] for row in both] == pytest.approx(
        [row["distance_db"] for row in mono], abs=0.01
    )


def test_a_mistyped_recording_is_wrong_usage(tones: Path, tmp_path: Path) -> None:
    words = ["library", "similar", "--to", str(tmp_path / "nosuch.wav")]
    done = CliRunner().invoke(app, [*words, "--library", str(tones)])
    assert done.exit_code == 2
    assert "does not exist" in " ".join(done.stderr.split())


@pytest.mark.parametrize(
    "made", ["text", "empty", "silent", "narrow", "short", "not finite"]
)
def test_what_cannot_be_compared_is_refused(
    tones: Path, tmp_path: Path, made: str
) -> None:
    file = tmp_path / f"{made}.wav"
    sound = noise(0.0, 16_000, seed=1)
    if made == "text":
        file.write_text("not a sound", encoding="utf-8")
    elif made == "empty":
        file.touch()
    elif made == "silent":
        soundfile.write(file, np.zeros(96_000), 48_000)
    elif made == "narrow":
        soundfile.write(file, sound[: 12 * 8_000], 8_000)
    elif made == "short":
        soundfile.write(file, sound[:20], 48_000)
    elif made == "not finite":
        sound[1000] = np.nan
        soundfile.write(file, sound, 48_000, "FLOAT")
    with pytest.raises(ReampsError):
        nearest(tones, file)
