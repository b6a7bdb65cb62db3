"""Authority: files taken apart by hand with the standard library; sha256 of hashlib.

What is written inside is read by ffmpeg, sox and libsndfile.
"""

import csv
import hashlib
import io
import json
import re
import shutil
import subprocess
import zipfile
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.errors import OutputError
from pipeline.library import pack as module
from pipeline.library.catalogue import Catalogue
from pipeline.library.choice import Layout, Wanted, fields_of, fill_name
from pipeline.library.pack import Terms, pack
from pipeline.library.refusals import PackError, QueryError
from tests.library import runs

TERMS = Terms("Tones <for> the band", "Ask before use.")


@pytest.fixture
def two(tmp_path: Path) -> Catalogue:
    """Two sessions at -23 and -26 LUFS, with an impulse response."""
    catalogue = Catalogue(tmp_path / "library")
    for seed, lufs in ((1, -23.0), (2, -26.0)):
        run = runs.write(tmp_path / f"run {seed}", runs.small(seed), lufs)
        catalogue.add(run)
    responses = tmp_path / "run 1" / "responses"
    responses.mkdir()
    # As `reamps responses` names them; t0011 is another capture's.
    for name in ("t001 48000", "t001 minimum phase 48000", "t0011 48000"):
        (responses / f"{name}.wav").write_bytes(runs.wave(runs.samples(99), "impulse"))
    return catalogue


def files(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_pack_is_level_matched_and_keeps_metadata(
    two: Catalogue, tmp_path: Path
) -> None:
    """3 dB down: samples times 10^(-3/20), rounded; bext levels 300 lower."""
    done = pack(two, Wanted(), tmp_path / "pack", TERMS)
    assert (len(done.numbers), done.target_lufs) == (6, -26.0)
    found = files(tmp_path / "pack")
    lowered = found["audio/night-1_t002_rib-one_cap-centre.wav"]
    values, chunks = runs.read(lowered)
    expected = np.rint(runs.samples(1) * 10 ** (-3 / 20))
    assert np.array_equal(values, expected)
    source = (tmp_path / "run 1/audio/t002.wav").read_bytes()
    _, before = runs.read(source)
    # RIFF says how long it is; the texts are all that was added.
    assert int.from_bytes(lowered[4:8], "little") == len(lowered) - 8
    assert len(lowered) == len(source) + 8 + len(chunks[b"LIST"])
    assert chunks[b"keep"] == before[b"keep"]
    assert chunks[b"bext"][:412] == before[b"bext"][:412]
    levels = np.frombuffer(chunks[b"bext"][412:422], "<i2").tolist()
    assert levels == [-2600, 400, -900, 0x7FFF, -2400]
    same = runs.read(found["audio/night-2_t001_dyn-one_cap-centre.wav"])
    before = runs.read((tmp_path / "run 2/audio/t001.wav").read_bytes())
    assert np.array_equal(same[0], before[0])
    assert {**before[1], b"LIST": same[1][b"LIST"]} == same[1]
    assert {name for name in found if name.startswith("impulse/")} == {
        "impulse/night-1_t001_dyn-one_cap-centre_48000.wav",
        "impulse/night-1_t001_dyn-one_cap-centre_minimum-phase-48000.wav",
    }


def asked(program: str, *words: str | Path) -> bytes:
    found = shutil.which(program)
    if found is None:
        pytest.skip(f"{program} is not installed here")
    return subprocess.run([found, *words], check=True, capture_output=True).stdout


def tags(path: Path) -> dict[str, str]:
    """What ffmpeg reads, by its own names for INFO texts and comments."""
    told = asked("ffprobe", "-v", "error", "-of", "json", "-show_format", path)
    found = json.loads(told)["format"]["tags"]
    return {name.lower(): text for name, text in found.items()}


def test_wave_copies_say_what_they_are(two: Catalogue, tmp_path: Path) -> None:
    """ffmpeg and sox as readers; -23 LUFS and -6 dBTP, 3 dB down."""
    pack(two, Wanted(), tmp_path / "pack", TERMS)
    path = tmp_path / "pack/audio/night-1_t002_rib-one_cap-centre.wav"
    known = tags(path)
    distance = two.db.execute("SELECT distance_mm FROM capture WHERE number = 2")
    place = f"rib one, cap centre, {distance.fetchone()[0]:g} mm"
    assert known.items() >= {
        ("title", "t002"),
        ("album", "night 1"),
        ("copyright", "Ask before use."),
        ("encoder", "reamps 0.1.0"),
        ("comment", "-26.00 LUFS integrated, 4.00 LU range, -9.00 dBTP"),
    }
    assert known["date"] == "2025-02-02"
    assert f"clean: {place}".encode() in path.read_bytes()
    assert asked("sox", "--info", "-s", path).strip() == b"4001"


def test_impulse_responses_do_not_pass_for_captures(
    two: Catalogue, tmp_path: Path
) -> None:
    pack(two, Wanted(layout="flac"), tmp_path / "pack", TERMS)
    path = tmp_path / "pack/impulse/night-1_t001_dyn-one_cap-centre_48000.wav"
    known = tags(path)
    assert known["title"] == "t001, impulse response"
    assert "LUFS" not in known.get("comment", "")
    values, _ = runs.read(path.read_bytes())
    assert np.array_equal(values, runs.samples(99))


def test_flac_copies_hold_the_same_samples_and_texts(
    two: Catalogue, tmp_path: Path
) -> None:
    """libsndfile and ffmpeg as readers; the samples are those of the WAV pack."""
    done = pack(two, Wanted(), tmp_path / "wav", TERMS)
    assert (
        pack(two, Wanted(layout="flac"), tmp_path / "flac", TERMS).files == done.files
    )
    found = sorted((tmp_path / "flac/audio").iterdir())
    assert len(found) == 6
    for path in found:
        assert path.suffix == ".flac"
        read, rate = soundfile.read(path, dtype="int32")
        wave = (tmp_path / "wav/audio" / path.name).with_suffix(".wav")
        assert rate == runs.RATE
        assert np.array_equal(read >> 8, runs.read(wave.read_bytes())[0])
    known = tags(tmp_path / "flac/audio/night-1_t002_rib-one_cap-centre.flac")
    assert {name: known[name] for name in sorted(known) if name != "comment"} == {
        "album": "night 1",
        "date": "2025-02-02",
        "encoder": "reamps 0.1.0",
        "integrated_lufs": "-26.00",
        "license": "Ask before use.",
        "loudness_range_lu": "4.00",
        "time_reference_samples": "123",
        "title": "t002",
        "true_peak_dbtp": "-9.00",
    }
    # ffmpeg shows a description under the name of a comment.
    assert known["comment"].startswith("clean: rib one, cap centre, ")
    texts = {
        name: content.decode()
        for name, content in files(tmp_path / "flac").items()
        if name.endswith((".txt", ".csv", ".html", ".sha256"))
    }
    for name in ("README.txt", "captures.csv", "sheet.html", "checksums.sha256"):
        assert "audio/night-2_t003_con-one_cap-centre.flac" in texts[name]
        assert "audio/night-2_t003_con-one_cap-centre.wav" not in texts[name]


def test_checksums_cover_every_file(two: Catalogue, tmp_path: Path) -> None:
    pack(two, Wanted(), tmp_path / "pack", TERMS)
    found = files(tmp_path / "pack")
    lines = found.pop("checksums.sha256").decode().splitlines()
    stated = dict(reversed(line.split("  ", 1)) for line in lines)
    assert stated == {name: hashlib.sha256(c).hexdigest() for name, c in found.items()}
    assert set(found) >= {"README.txt", "LICENCE.txt", "captures.csv", "sheet.html"}


@pytest.mark.parametrize("layout", ["wav", "flac"])
def test_zip_has_equal_bytes_and_the_same_files(
    two: Catalogue, tmp_path: Path, layout: Layout
) -> None:
    wanted = Wanted(layout=layout)
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        pack(two, wanted, tmp_path / name / "tones.zip", TERMS)
    one, other = (tmp_path / name / "tones.zip" for name in ("one", "two"))
    assert one.read_bytes() == other.read_bytes()
    pack(two, wanted, tmp_path / "pack", TERMS)
    with zipfile.ZipFile(one) as archive:
        assert archive.testzip() is None
        inside = {n.partition("/")[2]: archive.read(n) for n in archive.namelist()}
        assert {info.date_time for info in archive.infolist()} == {
            (1980, 1, 1, 0, 0, 0)
        }
    assert inside == files(tmp_path / "pack")


@pytest.mark.parametrize("layout", ["wav", "flac"])
def test_nothing_private_and_no_path_is_in_the_pack(
    two: Catalogue, tmp_path: Path, layout: Layout
) -> None:
    pack(two, Wanted(layout=layout), tmp_path / "pack", TERMS)
    everything = b"\n".join(files(tmp_path / "pack").values())
    for secret in (b"K-4711", b"SN-0001-SECRET", str(tmp_path).encode()):
        assert secret not in everything


def test_private_text_in_metadata_is_refused(tmp_path: Path) -> None:
    """The run's own description tells a private note: no pack."""
    night = runs.small(1)
    night["captures"][1]["private"] = {"deal": "t002 take"}
    with Catalogue(tmp_path / "library") as library:
        library.add(runs.write(tmp_path / "run", night))
        with pytest.raises(PackError, match="private"):
            pack(library, Wanted(), tmp_path / "pack", TERMS)
    assert not (tmp_path / "pack").exists()
    assert list(tmp_path.glob(".reamps-*")) == []


SPELLINGS = (
    "M\u00f6rtel & S\u00f8n",
    "MORTEL-SON",
    "mortel  son",
    "M\u00f6rtel &amp; S\u00f8n",
)


@pytest.mark.parametrize("spelling", SPELLINGS)
@pytest.mark.parametrize("layout", ["wav", "flac"])
def test_private_text_is_found_however_it_is_spelt(
    tmp_path: Path, layout: Layout, spelling: str
) -> None:
    """An identifier tells a private name: in tags, file names and on the page."""
    night = runs.small(1)
    night["captures"][1]["private"] = {"buyer": "M\u00f6rtel & S\u00f8n"}
    with Catalogue(tmp_path / "library") as library:
        library.add(runs.write(tmp_path / "run", night))
        done = pack(library, Wanted(layout=layout), tmp_path / "fine", TERMS)
        assert len(done.numbers) == 3
        for place in (tmp_path / "licence", tmp_path / "title"):
            told = Terms(spelling) if place.name == "title" else Terms("T", spelling)
            with pytest.raises(PackError, match="private"):
                pack(library, Wanted(layout=layout), place, told)
            assert not place.exists()


def test_a_long_licence_is_named_in_the_files_and_kept_whole(
    two: Catalogue, tmp_path: Path
) -> None:
    terms = "Use them freely.\n" + "But read this first. " * 40
    pack(two, Wanted(layout="flac"), tmp_path / "pack", Terms("T", terms))
    known = tags(next((tmp_path / "pack/audio").iterdir()))
    assert known["license"] == "Use them freely. (all of it in LICENCE.txt)"
    assert (tmp_path / "pack/LICENCE.txt").read_text("utf-8") == terms.rstrip() + "\n"


def test_changed_audio_is_refused(two: Catalogue, tmp_path: Path) -> None:
    path = tmp_path / "run 1/audio/t001.wav"
    path.write_bytes(path.read_bytes()[:-1] + b"?")
    with pytest.raises(PackError, match="checksum"):
        pack(two, Wanted(), tmp_path / "pack.zip", TERMS)
    assert not (tmp_path / "pack.zip").exists()


def test_missing_audio_is_refused(two: Catalogue, tmp_path: Path) -> None:
    (tmp_path / "run 1/audio/t001.wav").unlink()
    with pytest.raises(PackError, match="lies nowhere"):
        pack(two, Wanted(), tmp_path / "pack", TERMS)


def test_louder_than_the_peaks_allow_is_refused(two: Catalogue, tmp_path: Path) -> None:
    """True peak -6 dBTP and a ceiling of -1 dBTP leave 5 dB."""
    with pytest.raises(PackError, match="true peak"):
        pack(two, Wanted(target_lufs=-17.0), tmp_path / "pack", TERMS)
    done = pack(two, Wanted(target_lufs=-21.5), tmp_path / "pack", TERMS)
    assert done.target_lufs == -21.5


def test_what_reads_back_otherwise_is_removed(
    two: Catalogue, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "contents", lambda _: {"README.txt": "0"})
    with pytest.raises(PackError, match="read back"):
        pack(two, Wanted(), tmp_path / "pack.zip", TERMS)
    assert not (tmp_path / "pack.zip").exists()


def test_an_existing_target_is_left_alone(two: Catalogue, tmp_path: Path) -> None:
    (tmp_path / "pack").mkdir()
    with pytest.raises(OutputError, match="exists already"):
        pack(two, Wanted(), tmp_path / "pack", TERMS)


def test_copied_in_audio_survives_the_run_s_folder(tmp_path: Path) -> None:
    run = runs.write(tmp_path / "run", runs.small(1))
    (run / "responses").mkdir()
    (run / "responses" / "t002 44100.wav").write_bytes(runs.wave(runs.samples(9), "i"))
    with Catalogue(tmp_path / "library") as library:
        library.add(run, copy=True)
        for name in ("audio", "responses"):
            shutil.rmtree(run / name)
        done = pack(library, Wanted(), tmp_path / "pack", TERMS)
    assert (len(done.numbers), done.mics) == (3, "con one 1, dyn one 1, rib one 1")
    assert len(list((tmp_path / "pack/impulse").iterdir())) == 1


HOSTILE = "../../<script>alert(1)</script>=cmd|'!A0 $(touch x)`touch x`;touch x"


def test_hostile_names_stay_in_the_folder_and_are_escaped(tmp_path: Path) -> None:
    night = runs.small(1)
    for capture, name in zip(night["captures"], (HOSTILE, "CON", "con"), strict=True):
        capture["id"] = name
        capture["place"]["position"] = "=1+1"
    night["shortlist"] = []
    night["pairs"] = []
    with Catalogue(tmp_path / "library") as library:
        library.add(runs.write(tmp_path / "run", night))
        pack(library, Wanted(names="{id}"), tmp_path / "out" / "pack", TERMS)
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["pack"]
    found = files(tmp_path / "out" / "pack")
    audio = [name for name in found if name.startswith("audio/")]
    assert len({name.lower() for name in audio}) == 3
    assert all(not re.match(r"audio/(con|\.)", name, re.IGNORECASE) for name in audio)
    page = found["sheet.html"].decode()
    assert "<script" not in page
    assert "Tones &lt;for&gt; the band" in page
    rows = list(csv.reader(io.StringIO(found["captures.csv"].decode(), newline="")))
    assert all(not cell.startswith(("=", "+", "@")) for row in rows for cell in row)


def test_names_keep_signs_and_leave_no_gaps() -> None:
    """A minus belongs to its value; an absent field takes its separator along."""
    facts = {"id": "x -1.5 dB", "mic": None, "angle_deg": -30.0}
    name = fill_name("{mic}_{id}_{position}_{angle_deg}", facts)
    assert name == "x--1.5-dB_-30"


@pytest.mark.parametrize(
    "names", ["", "plain", "{folder}", "{file}", "{nope}", "{id", "{id!r}"]
)
def test_templates_without_known_public_fields_are_refused(names: str) -> None:
    with pytest.raises(QueryError):
        fields_of(names)
