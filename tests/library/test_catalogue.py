"""Authority: SQLite's own integrity check; what was written is plain data."""

import contextlib
import hashlib
import json
import multiprocessing
import os
import random
import shutil
import signal
import sqlite3
import time
from pathlib import Path

import pytest

from pipeline.errors import RecordError
from pipeline.library import audio, mending, records, schema, upkeep
from pipeline.library import catalogue as module
from pipeline.library.catalogue import Catalogue
from pipeline.library.find import find
from pipeline.library.refusals import CatalogueError, QueryError
from tests.library import invented, runs


def counts(library: Catalogue) -> list[int]:
    """Rows of every table."""
    tables = ("session", "capture", "scope", "capture_scope", "fact", "tone")
    return [
        library.db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608
        for table in tables
    ]


def names(library: Catalogue) -> dict[str, float]:
    found = find(library.db, columns=("session", "id", "number"))
    return {f"{row[0]}/{row[1]}": float(str(row[2])) for row in found.rows}


def test_adding_again_changes_nothing(library: Catalogue, tmp_path: Path) -> None:
    before = counts(library)
    again = library.add(tmp_path / "run 1")
    assert (again.outcome, again.number, again.tones) == ("unchanged", 1, 12)
    assert counts(library) == before


def test_a_new_run_keeps_the_numbers(library: Catalogue, tmp_path: Path) -> None:
    before = names(library)
    night = invented.night(1, 15)
    night["captures"][0]["notes"] = "run again"
    added = library.add(invented.write(tmp_path / "run 1", night))
    after = names(library)
    assert added.outcome == "updated"
    assert all(after[name] == number for name, number in before.items())
    assert len(after) == 27
    assert find(library.db, "again").total == 1
    assert len(records.everything(library.shelf)) == 2
    assert schema.faults(library.db) == []


def test_a_moved_folder_is_known(library: Catalogue, tmp_path: Path) -> None:
    (tmp_path / "run 1").rename(tmp_path / "elsewhere")
    assert library.add(tmp_path / "elsewhere").outcome == "moved"
    assert len(names(library)) == 24


def test_the_same_record_twice_is_refused(library: Catalogue, tmp_path: Path) -> None:
    copy = invented.write(tmp_path / "copy", invented.night(1, 12))
    with pytest.raises(CatalogueError, match="in the catalogue already"):
        library.add(copy)


def test_a_record_with_a_name_twice_is_refused(
    library: Catalogue, tmp_path: Path
) -> None:
    """Also where it lies on the shelf: it must not keep the rest from being mended."""
    night = invented.night(3, 3)
    night["captures"][1]["id"] = night["captures"][0]["id"]
    run = invented.write(tmp_path / "run 3", night)
    shelf = records.everything(library.shelf)
    with pytest.raises(RecordError, match="found 't001' twice"):
        library.add(run)
    assert records.everything(library.shelf) == shelf
    torn = records.put(
        library.shelf,
        records.Envelope(
            shelf=1,
            folder=str(run),
            copied=False,
            numbers=records.Numbers(session=0, captures={}),
            text=(run / "record.json").read_text(encoding="utf-8"),
        ),
    )
    done = mending.rebuild(library.root)
    assert done.sessions == 2
    assert "found 't001' twice" in done.damaged[0]
    assert torn.exists()


def test_audio_under_a_name_that_no_disk_takes_lies_nowhere(tmp_path: Path) -> None:
    (tmp_path / "audio").mkdir()
    (tmp_path / "audio" / "tone.wav").touch()
    for name, found in (("tone.wav", "tone.wav"), ("x" * 300, None), ("a\0b", None)):
        place = audio.locate(tmp_path, str(tmp_path), "0" * 64, f"audio/{name}")
        assert (place.name if place else None) == found


def test_removing_leaves_nothing_behind(library: Catalogue) -> None:
    library.remove(1)
    assert {name.split("/")[0] for name in names(library)} == {"night 2"}
    library.remove(2)
    assert counts(library) == [0] * 6
    assert schema.faults(library.db) == []
    assert records.everything(library.shelf) == []
    with pytest.raises(QueryError, match="no session"):
        library.remove(2)


def test_numbers_are_never_used_again(library: Catalogue, tmp_path: Path) -> None:
    library.remove(2)
    added = library.add(invented.write(tmp_path / "run 3", invented.night(3)))
    assert added.number == 3
    assert min(n for name, n in names(library).items() if "night 3" in name) == 25


def test_record_comes_back_as_written(library: Catalogue, tmp_path: Path) -> None:
    text = (tmp_path / "run 2" / "record.json").read_text(encoding="utf-8")
    assert library.record(2) == records.parse_record(text, tmp_path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "no JSON"),
        ("[]", "format 1"),
        ('{"format": 2}', "format 1"),
        ('{"format": 1}', "damaged"),
    ],
)
def test_damaged_record_is_refused(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "record.json").write_text(text, encoding="utf-8")
    with (
        Catalogue(tmp_path / "l") as library,
        pytest.raises(RecordError, match=message),
    ):
        library.add(tmp_path)


def test_newer_catalogue_is_refused_by_number(library: Catalogue) -> None:
    library.db.execute("PRAGMA user_version = 99")
    root = library.root
    with pytest.raises(CatalogueError, match=r"format 99.*formats up to 1"):
        Catalogue(root)
    with pytest.raises(CatalogueError, match="format 99"):
        mending.rebuild(root)


def test_foreign_file_is_refused(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / module.FILE_NAME) as other:
        other.execute("CREATE TABLE theirs (a)")
    other.close()
    with pytest.raises(CatalogueError, match="another program"):
        Catalogue(tmp_path)


def test_migrations_run_once_and_in_order(
    library: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A catalogue of format 1 becomes one of format 3, its rows kept."""
    before = names(library)
    more = ("CREATE TABLE second (a)", "ALTER TABLE second ADD COLUMN b")
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, *more))
    for _ in range(2):
        with Catalogue(library.root) as newer:
            assert newer.db.execute("PRAGMA user_version").fetchone()[0] == 3
            assert newer.db.execute("SELECT b FROM second").fetchall() == []
            assert names(newer) == before


def test_failed_migration_changes_nothing(
    library: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        schema, "MIGRATIONS", (*schema.MIGRATIONS, "CREATE TABLE x (a); BROKEN")
    )
    with pytest.raises(CatalogueError):
        Catalogue(library.root)
    assert library.db.execute("PRAGMA user_version").fetchone()[0] == 1
    found = library.db.execute("SELECT 1 FROM sqlite_master WHERE name = 'x'")
    assert found.fetchone() is None


def damage(path: Path, seed: int) -> None:
    """Overwrite a third of the file with noise."""
    content = bytearray(path.read_bytes())
    rng = random.Random(seed)  # noqa: S311 not a secret
    for at in range(100, len(content), 3):
        content[at] = rng.randrange(256)
    path.write_bytes(bytes(content))


def complaint(root: Path) -> str:
    """What a person is told of a damaged library."""
    try:
        health = upkeep.check(root)
    except CatalogueError as error:
        return str(error)
    return "" if health.whole else "run check --repair"


@pytest.mark.parametrize("how", ["noise", "cut", "empty page", "text", "gone"])
def test_damaged_catalogue_is_detected_and_rebuilt(
    library: Catalogue, how: str
) -> None:
    before, root, path = names(library), library.root, library.path
    library.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    library.db.close()
    content = path.read_bytes()
    if how == "noise":
        damage(path, 1)
    elif how == "cut":
        path.write_bytes(content[: len(content) // 2])
    elif how == "empty page":
        path.write_bytes(content[:8192] + bytes(40960) + content[49152:])
    elif how == "text":
        path.write_bytes(b"not a database at all, but text" * 100)
    else:
        path.unlink()
    if how == "gone":
        assert len(upkeep.check(root).strays) == 2
    else:
        assert "check --repair" in complaint(root)
    rebuilt = mending.rebuild(root)
    assert rebuilt.sessions == 2
    assert upkeep.check(root).whole
    with Catalogue(root) as again:
        assert names(again) == before


def test_damaged_record_on_the_shelf_is_taken_from_the_run(library: Catalogue) -> None:
    path = records.everything(library.shelf)[0]
    path.write_bytes(path.read_bytes()[:100])
    health = upkeep.check(library.root)
    assert len(health.missing) == 1
    library.db.close()
    rebuilt = mending.rebuild(library.root)
    assert (rebuilt.sessions, len(rebuilt.damaged)) == (2, 1)


def test_backup_is_a_library_of_its_own(library: Catalogue, tmp_path: Path) -> None:
    assert upkeep.backup(library.root, tmp_path / "copy", with_audio=False) == 2
    before = names(library)
    library.remove(1)
    with Catalogue(tmp_path / "copy") as copy:
        assert names(copy) == before
        assert copy.record(1).session["name"] == "night 1"


INSTANTS = {
    "announced": (module, "announce", "after"),
    "committed": (module, "forget", "before"),
    "record gone": (module, "withdraw", "before"),
}


def remove_and_die(root: Path, session: int, instant: str) -> None:
    """Take a session out and be killed at one instant of it."""
    where, name, side = INSTANTS[instant]
    done = getattr(where, name)

    def die(*words: object) -> None:
        if side == "after":
            done(*words)
        os.kill(os.getpid(), signal.SIGKILL)

    setattr(where, name, die)
    with Catalogue(root) as library:
        library.remove(session)


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no kill on this system")
@pytest.mark.parametrize("damaged", [False, True])
@pytest.mark.parametrize("first", ["repair", "open"])
@pytest.mark.parametrize("instant", INSTANTS)
def test_a_session_removed_before_a_kill_stays_out(
    library: Catalogue, instant: str, first: str, *, damaged: bool
) -> None:
    """Once it is out no repair brings it back; before that it is still whole.

    Where the catalogue is damaged too, what was asked for last counts.
    """
    root = library.root
    copies = root / module.AUDIO / library.session_digest(1)[:16]
    copies.mkdir(parents=True)
    (copies / "take.wav").write_bytes(b"sound")
    library.db.close()
    context = multiprocessing.get_context("fork")
    killed = context.Process(target=remove_and_die, args=(root, 1, instant))
    killed.start()
    killed.join(60)
    assert killed.exitcode == -signal.SIGKILL
    if first == "open":
        Catalogue(root).db.close()
    if damaged:
        for path in root.glob("catalogue.sqlite*"):
            path.unlink()
    mending.rebuild(root)
    health = upkeep.check(root)
    with Catalogue(root) as again:
        left = {name.split("/")[0] for name in names(again)}
    kept = instant == "announced" and (first == "open" or not damaged)
    assert left == ({"night 1", "night 2"} if kept else {"night 2"})
    assert (health.whole, health.strays) == (True, ())
    assert copies.exists() == kept
    assert not (root / "leaving").exists()


def test_a_removed_session_can_be_added_again(
    library: Catalogue, tmp_path: Path
) -> None:
    library.remove(1)
    assert library.add(tmp_path / "run 1").outcome == "added"
    assert mending.rebuild(library.root).sessions == 2


def test_a_repair_gives_no_number_twice(library: Catalogue, tmp_path: Path) -> None:
    root = library.root
    library.remove(2)
    library.remove(1)
    library.db.close()
    mending.rebuild(root)
    with Catalogue(root) as again:
        added = again.add(invented.write(tmp_path / "run 3", invented.night(3)))
        assert added.number == 3
        assert min(names(again).values()) == 25


def add_some(root: Path, folder: Path, seeds: range) -> None:
    """Add a few nights: one of several writers."""
    for seed in seeds:
        run = invented.write(folder / f"run {seed}", invented.night(seed, 3))
        with Catalogue(root) as library:
            library.add(run)


def copies(library: Catalogue) -> dict[str, str]:
    """Hash of every copied file by its place below its session's folder."""
    root = library.root / module.AUDIO
    return {
        path.relative_to(root).as_posix().partition("/")[2]: hashlib.sha256(
            path.read_bytes()
        ).hexdigest()
        for path in root.rglob("*")
        if path.is_file()
    }


def expected_copies(run: Path) -> dict[str, str]:
    """What the record says; hashed by hashlib when the run was invented."""
    night = json.loads((run / "record.json").read_text("utf-8"))
    return {
        c["output"]["file"]: c["output"]["sha256"] for c in night["captures"]
    }  # fmt: skip


def test_taking_out_while_copying_in_loses_no_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program takes the session out when all is copied, not yet written."""
    run = runs.write(tmp_path / "run", runs.small(1))
    copy_in = audio.copy_in

    def copy_then_remove(*words: object) -> None:
        copy_in(*words)
        with Catalogue(tmp_path / "library") as other:
            other.remove(1)

    with Catalogue(tmp_path / "library") as library:
        library.add(run, copy=True)
        monkeypatch.setattr(audio, "copy_in", copy_then_remove)
        assert library.add(run, copy=True).outcome == "added"
        assert copies(library) == expected_copies(run)
    assert upkeep.check(tmp_path / "library").lines() == []


def test_copying_in_while_taking_out_loses_no_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program adds it again between the taking out and the tidying up."""
    run = runs.write(tmp_path / "run", runs.small(1))
    settle = Catalogue._settle
    calls = []

    def add_then_settle(self: Catalogue) -> None:
        calls.append(None)
        if len(calls) == 1:
            with Catalogue(tmp_path / "library") as other:
                other.add(run, copy=True)
        settle(self)

    with Catalogue(tmp_path / "library") as library:
        library.add(run, copy=True)
        monkeypatch.setattr(Catalogue, "_settle", add_then_settle)
        library.remove(1)
        assert copies(library) == expected_copies(run)
    assert upkeep.check(tmp_path / "library").lines() == []


def churn(root: Path, run: Path, what: str) -> None:
    """One program adds a session with its audio, another takes it out."""
    for _ in range(12):
        with Catalogue(root) as library:
            if what == "add":
                library.add(run, copy=True)
                continue
            for row in library.db.execute("SELECT number FROM session").fetchall():
                with contextlib.suppress(QueryError):
                    library.remove(int(row[0]))


def test_a_session_that_is_said_to_be_copied_has_its_copies(tmp_path: Path) -> None:
    """Both at once, again and again: what is left is whole."""
    root, run = tmp_path / "library", runs.write(tmp_path / "run", runs.small(1))
    context = multiprocessing.get_context("fork")
    both = [
        context.Process(target=churn, args=(root, run, what))
        for what in ("add", "remove", "add")
    ]
    for program in both:
        program.start()
    for program in both:
        program.join(120)
        assert program.exitcode == 0
    with Catalogue(root) as library:
        held = library.db.execute("SELECT copied FROM session").fetchall()
        assert copies(library) == (expected_copies(run) if held else {})
        assert not list((root / module.AUDIO).glob(".*"))
        assert schema.faults(library.db) == []


def test_a_session_that_was_copied_in_stays_copied(tmp_path: Path) -> None:
    run = runs.write(tmp_path / "run", runs.small(1))
    with Catalogue(tmp_path / "library") as library:
        assert library.add(run).outcome == "added"
        assert library.add(run, copy=True).outcome == "copied"
        assert library.add(run).outcome == "unchanged"
        shutil.rmtree(run)
        again = runs.small(1)
        again["captures"][0]["notes"] = "run again"
        runs.write(run, again)
        assert library.add(run).outcome == "updated"
        assert copies(library) == expected_copies(run)


def test_copies_that_a_kill_left_half_made_are_swept(
    library: Catalogue, tmp_path: Path
) -> None:
    waiting = library.root / module.AUDIO / ".arriving-0123456789abcdef"
    waiting.mkdir(parents=True)
    (waiting / "t001.wav").write_bytes(b"half")
    upkeep.backup(library.root, tmp_path / "copy", with_audio=True)
    assert list((tmp_path / "copy" / module.AUDIO).iterdir()) == []
    library.db.close()
    mending.rebuild(library.root)
    assert not waiting.exists()


def test_two_writers_at_once_lose_nothing(tmp_path: Path) -> None:
    root, context = tmp_path / "library", multiprocessing.get_context("spawn")
    writers = [
        context.Process(target=add_some, args=(root, tmp_path, range(k, k + 8)))
        for k in (0, 100)
    ]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(120)
        assert writer.exitcode == 0
    with Catalogue(root) as library:
        assert counts(library)[:2] == [16, 48]
        assert schema.faults(library.db) == []
    assert upkeep.check(root).strays == ()


def add_forever(root: Path, folder: Path, told: Path) -> None:
    """Add one night after the other and write down each that was acknowledged."""
    seed = len(told.read_text(encoding="utf-8").split())
    with Catalogue(root) as library, told.open("a", encoding="utf-8") as log:
        while True:
            number = seed % 40
            night = invented.night(number, 4)
            night["captures"][0]["notes"] = f"round {seed}"
            run = invented.write(folder / f"run {number}", night)
            library.add(run)
            log.write(f"{number}\n")
            log.flush()
            seed += 1


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no kill on this system")
def test_thirty_kills_lose_and_corrupt_nothing(tmp_path: Path) -> None:
    """kill -9 at thirty random instants while adding and updating.

    Every acknowledged session is there afterwards and the file is whole each time.
    """
    root, told = tmp_path / "library", tmp_path / "told"
    told.touch()
    Catalogue(root).db.close()
    rng = random.Random(20250301)  # noqa: S311 not a secret
    context = multiprocessing.get_context("fork")
    kills = 0
    while kills < 30:
        writer = context.Process(target=add_forever, args=(root, tmp_path, told))
        writer.start()
        time.sleep(rng.uniform(0.03, 0.25))
        assert writer.pid is not None
        assert writer.is_alive()
        os.kill(writer.pid, signal.SIGKILL)
        writer.join()
        kills += 1
        with Catalogue(root) as library:
            assert schema.faults(library.db) == []
            known = {
                row[0] for row in library.db.execute("SELECT session FROM session")
            }
        expected = {f"night {line}" for line in told.read_text("utf-8").split()}
        assert expected <= known
    assert expected
    health = upkeep.check(root)
    assert health.whole
    assert mending.rebuild(root).sessions >= len(expected)
