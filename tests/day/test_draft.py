"""Drafts of a folder whose truth is known by construction."""

import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.day.draft import Draft, Wish, draft
from pipeline.day.playout import PlayoutWish, write_playout
from pipeline.errors import ManifestError, ReampsError
from pipeline.files.manifest import read_plan
from tests.day.folders import RATE, Night, write_night

PASSES = {
    frozenset({"Dyn_01.wav", "Rib 25mm_01.wav"}),
    frozenset({"Dyn_02.wav", "Rib 25mm_02.wav"}),
    frozenset({"Dyn_03.wav", "Rib 25mm_03.wav"}),
    frozenset({"Audio 3_07.wav"}),
    frozenset({"Both.wav"}),
}


def drafted(night: Night, **keys: object) -> Draft:
    return draft(Wish(night.folder, night.di, **keys), lambda _done, _all: None)


def passes_of(manifest: Path) -> set[frozenset[str]]:
    found: dict[str, set[str]] = {}
    for capture in read_plan(manifest).captures:
        found.setdefault(capture.pass_id, set()).add(capture.path.name)
    return {frozenset(files) for files in found.values()}


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Night:
    return write_night(tmp_path_factory.mktemp("night"))


@pytest.fixture(scope="module")
def proposal(night: Night) -> Draft:
    return drafted(night)


def test_the_proposal_is_a_manifest_with_the_true_passes(proposal: Draft) -> None:
    # Truth by construction: three passes of two files, one stereo file, one half-empty.
    assert passes_of(proposal.manifest) == PASSES
    assert proposal.passes == 5


def test_a_stereo_file_with_two_mics_gives_two_captures(proposal: Draft) -> None:
    plan = read_plan(proposal.manifest)
    stereo = [c for c in plan.captures if c.path.name == "Audio 3_07.wav"]
    assert [c.written.channel for c in stereo] == [1, 2]
    half = [c for c in plan.captures if c.path.name == "Both.wav"]
    assert [c.written.channel for c in half] == [1]


def test_strangers_copies_and_broken_files_are_named_with_reasons(
    proposal: Draft,
) -> None:
    said = "\n".join(proposal.left_out)
    assert "Dyn_02 copy.wav: the very same file as Dyn_02.wav" in said
    assert "talk.wav: This is not a capture of this DI" in said
    assert "loop.wav: the DI through a cable" in said
    assert "take me.wav: the DI itself" in said
    assert "Both.wav, channel 2: No sample" in said
    assert "notes.wav: " in said
    assert len(proposal.left_out) == 7
    assert len(proposal.added) == 9


def test_a_loopback_and_the_words_in_names_are_used(proposal: Draft) -> None:
    raw = tomllib.loads(proposal.manifest.read_text(encoding="utf-8"))
    assert raw["loopback"]["file"] == "loop.wav"
    ribbon = next(c for c in raw["capture"] if c["file"] == "Rib 25mm_02.wav")
    assert (ribbon["mic"], ribbon["distance_mm"]) == ("ribbon", 25.0)
    assert raw["mic"]["ribbon"]["type"] == "ribbon"


@pytest.mark.parametrize("di_hiss", [0.0, 3e-4])
def test_the_hiss_of_the_amp_finds_passes_in_a_copied_folder(
    tmp_path: Path, di_hiss: float
) -> None:
    # Copying gives all files one moment; two passes have one lag: only hiss is left.
    # Hiss of the DI itself, which the amp lifts over its own, is in every pass.
    night = write_night(tmp_path / "n", stamped=False, di_hiss=di_hiss)
    for name in ("Dyn", "Rib 25mm"):
        for number, other in enumerate(("fog", "mist", "haze"), start=1):
            path = night.folder / f"{name}_{number:02d}.wav"
            path.rename(night.folder / f"{name} {other}.wav")
    (night.folder / "Dyn_02 copy.wav").unlink()
    found = passes_of(drafted(night).manifest)
    for word in ("fog", "mist", "haze"):
        assert frozenset({f"Dyn {word}.wav", f"Rib 25mm {word}.wav"}) in found


def test_without_hiss_or_times_take_numbers_decide(tmp_path: Path) -> None:
    night = write_night(tmp_path / "n", stamped=False, hiss=0.0)
    assert passes_of(drafted(night).manifest) == PASSES


def test_running_again_changes_not_one_byte(night: Night, proposal: Draft) -> None:
    before = proposal.manifest.read_bytes()
    again = drafted(night)
    assert proposal.manifest.read_bytes() == before
    assert again.added == ()


def test_what_the_user_wrote_stays_and_new_files_are_added(tmp_path: Path) -> None:
    night = write_night(tmp_path / "n", few=True)
    manifest = night.folder / "mine.toml"
    mine = (
        "\ufeffformat = 1   # mine\r\n[session]\r\nname = 'Ours'\r\n[di]\r\n"
        "file='Gtr DI_01.wav'\r\n\r\n[mic.ribbon]  # borrowed\r\ntype = 'ribbon'\r\n"
        "[[capture]]\r\nid = 'Dyn_01' # taken by another file\r\n"
        "file = 'Rib 25mm_01.wav'\r\npass = 'p01'\r\n"
        "# file = 'talk.wav'  (too noisy)\r\n"
    )
    manifest.write_bytes(mine.encode("utf-8"))
    made = drafted(night, manifest=manifest)
    text = manifest.read_bytes().decode("utf-8")
    assert text.startswith(mine)
    assert "\n" not in text.replace("\r\n", "")
    plan = read_plan(manifest)
    files = [c.path.name for c in plan.captures]
    assert "talk.wav" not in files
    assert made.left_out == ()
    assert len(files) == len({c.id for c in plan.captures}) == len(made.added) + 1
    assert "p01" not in {c.pass_id for c in plan.captures[1:]}


def test_captures_in_one_line_keep_their_comments(tmp_path: Path) -> None:
    night = write_night(tmp_path / "n", few=True)
    manifest = night.folder / "m.toml"
    manifest.write_text(
        "format = 1\n# the night\ncapture = [ {file = 'Dyn_01.wav'}, ] # one\n"
        "[session]\nname='x' # here\n[di]\nfile='Gtr DI_01.wav'\n",
        encoding="utf-8",
    )
    drafted(night, manifest=manifest)
    text = manifest.read_text(encoding="utf-8")
    assert all(word in text for word in ("# the night", "# one", "# here"))
    assert len(read_plan(manifest).captures) == 2


def test_a_copy_is_the_one_that_the_pattern_does_not_read(tmp_path: Path) -> None:
    night = write_night(tmp_path / "n", few=True)
    first, *rest = sorted(night.folder.glob("Dyn_0*.wav"))
    for path in rest:
        path.unlink()
    shutil.copy(first, night.folder / "lamp-edge_20mm.wav")
    first.rename(night.folder / "x.wav")
    made = drafted(night, pattern="{setup}-{position}_{distance_mm}mm")
    (capture,) = (
        capture
        for capture in read_plan(made.manifest).captures
        if capture.path.name in {"x.wav", "lamp-edge_20mm.wav"}
    )
    assert capture.written.setup == "lamp"
    assert "x.wav: the very same file as lamp-edge_20mm.wav" in made.left_out


def test_what_is_left_out_is_told_for_what_it_is(tmp_path: Path) -> None:
    # At another rate, too, which by itself would only be converted.
    night = write_night(tmp_path / "n", few=True)
    noise = 0.1 * np.random.default_rng(6).normal(size=9 * 44_100)
    soundfile.write(night.folder / "noise.wav", noise, 44_100, subtype="PCM_24")
    (said,) = (line for line in drafted(night).left_out if line.startswith("noise.wav"))
    assert "not a capture of this DI" in said


def test_a_pattern_reads_the_names(tmp_path: Path) -> None:
    night = write_night(tmp_path / "n")
    for path in list(night.folder.glob("*.wav")):
        if not path.name.startswith(("Dyn_0", "Gtr")):
            path.unlink()
    (night.folder / "Dyn_02 copy.wav").unlink(missing_ok=True)
    for number, name in enumerate(("edge_1in", "cap_2,5in", "cap_4in"), start=1):
        source = night.folder / f"Dyn_{number:02d}.wav"
        source.rename(night.folder / f"lamp-{name}-x{number}.wav")
    made = drafted(night, pattern="{setup}-{position}_{distance_in}in-x{pass}")
    captures = read_plan(made.manifest).captures
    assert [c.written.setup for c in captures] == ["lamp"] * 3
    assert [c.written.distance_mm for c in captures] == [25.4, 63.5, 101.6]
    assert [c.pass_id for c in captures] == ["1", "2", "3"]


def test_the_captures_of_another_di_are_told_apart(tmp_path: Path) -> None:
    night = write_night(tmp_path / "n", few=True)
    from tests.day.folders import plucks

    other = night.folder / "second dry.wav"
    soundfile.write(other, plucks(7), RATE, subtype="PCM_24")
    out = night.folder / "to the amp.wav"
    write_playout(PlayoutWish(night.di, out, sweep=False))
    made = drafted(night, others=(other,))
    assert "talk.wav: a capture of another DI, second dry.wav" in made.left_out
    assert "to the amp.wav: a play-out file, and no capture" in made.left_out


def test_what_a_take_sheet_holds_is_not_proposed_again(tmp_path: Path) -> None:
    night = write_night(tmp_path / "n", few=True)
    manifest = night.folder / "m.toml"
    text = "format = 1\ntakes = 'n.csv'\n[session]\nname='x'\n[di]\n"
    manifest.write_text(f"{text}file='Gtr DI_01.wav'\n", encoding="utf-8")
    rows = "file;pass\nDyn_01.wav;p01\nRib 25mm_01.wav;p01\n"
    (night.folder / "n.csv").write_text(rows, encoding="utf-8")
    assert drafted(night, manifest=manifest).added == ()
    assert len(read_plan(manifest).captures) == 2


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("format = \n", "cannot be kept"),
        ("format=1\n[di]\nfile='x.wav'\n", "is about the DI"),
    ],
)
def test_a_manifest_that_cannot_be_kept_is_refused(
    tmp_path: Path, text: str, said: str
) -> None:
    night = write_night(tmp_path / "n", few=True)
    manifest = night.folder / "m.toml"
    manifest.write_text(text, encoding="utf-8")
    with pytest.raises(ManifestError, match=said):
        drafted(night, manifest=manifest)
    assert manifest.read_text(encoding="utf-8") == text


def test_a_manifest_instead_of_its_folder_is_named(tmp_path: Path) -> None:
    (tmp_path / "session.toml").touch()
    for name, said in (("session.toml", "is a file"), ("nope", "is not there")):
        with pytest.raises(ReampsError, match=said):
            draft(Wish(tmp_path / name), lambda _done, _all: None)


def test_a_folder_without_captures_writes_nothing(tmp_path: Path) -> None:
    di = tmp_path / "di.wav"
    rng = np.random.default_rng(0)
    soundfile.write(di, 0.1 * rng.normal(size=3 * RATE), RATE)
    (tmp_path / "f").mkdir()
    with pytest.raises(ReampsError, match="nothing was written"):
        draft(Wish(tmp_path / "f", di), lambda _done, _all: None)
    assert not list((tmp_path / "f").iterdir())


def test_the_di_is_found_by_its_name(tmp_path: Path) -> None:
    night = write_night(tmp_path / "n", few=True)
    made = draft(Wish(night.folder), lambda _done, _all: None)
    assert read_plan(made.manifest).di_path.name == made.di.name == "Gtr DI_01.wav"
    assert made.summary == "2 captures in 1 pass were added."
    again = draft(Wish(night.folder), lambda _done, _all: None)
    assert again.summary == "No new captures; nothing was changed."
