"""Damaged manifests, records, trims and headers by the thousand.

    python -m tests.benchmarks.fuzz_text --cases 10000

Real files of every text that the program reads are damaged, as bytes (flips, cuts,
splices, repeats, whole words of other files) and as trees (values replaced by nasty
ones, keys moved, lists multiplied), then read as the commands read them; a record that
is still one is turned into its page and its table, a manifest that still is one into a
plan. Nothing but a `ReampsError` may come out, within 10 s. Case n of a seed is always
the same file. Prints a line of figures and one of kinds; ends with 1 if a case was bad.

Audio headers have a campaign of their own: tests/benchmarks/fuzz_audio.py.
"""

import faulthandler
import json
import multiprocessing
import random
import sys
import tempfile
import tomllib
import traceback
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from pipeline.client.merge import parse_answer
from pipeline.errors import ReampsError
from pipeline.files.cache import Cache
from pipeline.files.manifest import read_plan
from pipeline.files.store import metrics_table, read_record, record_text
from pipeline.files.takes import numbered_captures
from pipeline.files.trims import read_trims
from pipeline.report.page import render_page
from pipeline.run.keeping import FOLDER, LEDGER, Keeper
from pipeline.run.locating import _ADAPTER
from pipeline.run.places import source_files
from tests.benchmarks.fuzzing import peak_mib, run_campaign
from tests.report import records

SECONDS_A_CASE = 10.0
ROOT = Path(__file__).parents[2]
NASTY_TEXT = (
    "",
    " ",
    "\0",
    "../../x",
    "/etc/passwd",
    "C:\\x",
    "CON",
    "a" * 300,
    "\u202eevil",
    "\ud800",
    "<script>alert(1)</script>",
    "line\nbreak",
    "=1+1",
    "1e999",
    "é" * 200,
)
NASTY = (
    None,
    True,
    0,
    -1,
    2**31,
    2**63,
    10**400,
    1e308,
    5e-324,
    -0.0,
    float("inf"),
    float("nan"),
    [],
    {},
    [[[[[]]]]],
    *NASTY_TEXT,
)
BYTES = (b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b'"""', b"[" * 3000, b"{" * 3000,
         b"9" * 5000, b"NaN", b"1e999", b"'", b"\\u0000", b"\\ud800", b"[[capture]]\n",
         b"\n[di]\n", b"a.b.c.d=1\n", b"#", b"\xc3")  # fmt: skip


def _damage_bytes(raw: bytearray, dice: random.Random) -> None:
    for _ in range(dice.randint(1, 4)):
        place = dice.randrange(len(raw) + 1)
        match dice.randrange(6):
            case 0:
                raw[place : place + 1] = bytes([dice.randrange(256)])
            case 1:
                del raw[place : place + dice.randint(1, 60)]
            case 2:
                raw[place:place] = dice.choice(BYTES)
            case 3:
                other = dice.randrange(len(raw) + 1)
                raw[place:place] = raw[other : other + dice.randint(1, 400)]
            case 4:
                del raw[place:]
            case _:
                raw[place:place] = dice.randbytes(dice.randint(1, 8))


def _branches(tree: Any) -> list[tuple[Any, Any]]:
    """All places of a tree: a container, and a key or index in it."""
    found = []
    rows = tree.items() if isinstance(tree, dict) else enumerate(tree)
    for key, value in rows:
        found.append((tree, key))
        if isinstance(value, dict | list):
            found += _branches(value)
    return found


def _damage_tree(tree: Any, dice: random.Random) -> None:
    for _ in range(dice.randint(1, 3)):
        places = _branches(tree)
        if not places:
            return
        holder, key = dice.choice(places)
        match dice.randrange(5):
            case 0 | 1:
                holder[key] = dice.choice(NASTY)
            case 2:
                del holder[key]
            case 3:
                other, place = dice.choice(places)
                holder[key] = json.loads(json.dumps(other[place]))
            case _ if isinstance(holder, list):
                holder += json.loads(json.dumps([holder[key]])) * dice.randint(1, 50)
            case _:
                holder[dice.choice(NASTY_TEXT)] = holder[key]


def _toml(value: Any) -> str:
    """Spell any JSON-like value as inline TOML."""
    if isinstance(value, dict):
        inside = (f"{json.dumps(k)} = {_toml(v)}" for k, v in value.items())
        return "{" + ", ".join(inside) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if value is None:
        return '""'
    text = json.dumps(value, default=str)
    return {"NaN": "nan", "Infinity": "inf", "-Infinity": "-inf"}.get(text, text)


def _as_toml(tree: Any) -> str:
    return "".join(f"{json.dumps(k)} = {_toml(v)}\n" for k, v in tree.items())


def _try_manifest(folder: Path, raw: bytes) -> None:
    path = folder / "session.toml"
    path.write_bytes(raw)
    source_files(read_plan(path))


def _try_record(folder: Path, raw: bytes) -> None:
    (folder / "record.json").write_bytes(raw)
    record = read_record(folder)
    record_text(record)
    metrics_table(record)
    render_page(record).encode("utf-8")


def _try_trims(folder: Path, raw: bytes) -> None:
    path = folder / "trims.json"
    path.write_bytes(raw)
    read_trims(path)


def _try_kept(folder: Path, raw: bytes) -> None:
    kept = folder / FOLDER
    kept.mkdir(exist_ok=True)
    (kept / LEDGER).write_bytes(raw)
    Keeper(folder, dry=True)
    (kept / f"locate-{'0' * 40}.json").write_bytes(raw)
    Cache(kept, "locate", _ADAPTER).get("0" * 64)


def _try_answer(_folder: Path, raw: bytes) -> None:
    parse_answer(raw, "picks.json")


def _try_sheet(_folder: Path, raw: bytes) -> None:
    numbered_captures(raw)


Try = Callable[[Path, bytes], None]


def whole_files() -> list[tuple[str, Try, bytes]]:
    """Undamaged texts, and who reads them."""
    files: list[tuple[str, Try, bytes]] = [
        ("toml", _try_manifest, path.read_bytes())
        for path in sorted((ROOT / "manifests").glob("*.toml"))
    ]
    for data in (records.night(16), records.bare(), records.hostile()):
        text = record_text(records.record(data))
        files.append(("json", _try_record, text.encode("utf-8")))
    files.append(("json", _try_trims, b'{"p01": -1.5, "p02": 0, "p03": 2e0}'))
    ledger = {"locate p01": {"version": "1/1", "DI": "ab/1", "night's lag": None}}
    files.append(("json", _try_kept, json.dumps(ledger).encode("utf-8")))
    found = {
        "findings": [{"code": "a", "severity": "warn", "message": "m", "fix": None}],
        "located": None,
        "frames": 5,
    }
    files.append(("json", _try_kept, json.dumps(found).encode("utf-8")))
    answer = b'{"format": 1, "delivery": "ab", "picks": [{"id": "A1", "stars": 4}]}'
    files.append(("json", _try_answer, answer))
    sheet = b"id,file,channel,pass,distance_mm,tags,gain\r\np1,a.wav,1,p,25.5,a b,7\r\n"
    files.append(("csv", _try_sheet, sheet))
    return files


def damaged_file(
    files: list[tuple[str, Try, bytes]], seed: int, case: int
) -> tuple[str, Try, bytes]:
    """Make the text of a case, with its kind and who reads it."""
    dice = random.Random(f"{seed}/{case}")  # noqa: S311 (repeatable on purpose)
    kind, read, whole = dice.choice(files)
    raw = bytearray(whole)
    trees = kind != "csv" and dice.random() < 0.6
    if trees:
        text = whole.decode("utf-8")
        tree = tomllib.loads(text) if kind == "toml" else json.loads(text)
        tree = json.loads(json.dumps(tree, default=str))
        _damage_tree(tree, dice)
        spell = _as_toml if kind == "toml" else json.dumps
        raw = bytearray(spell(tree).encode("utf-8", "surrogatepass"))
    if not trees or dice.random() < 0.3:
        _damage_bytes(raw, dice)
    return f"{read.__name__.removeprefix('_try_')} ({kind})", read, bytes(raw)


def try_file(folder: Path, read: Try, raw: bytes) -> str:
    """Read a text: "used", "refused", or what escaped."""
    try:
        read(folder, raw)
    except ReampsError as error:
        return "refused" if str(error).strip() else "an empty message"
    except BaseException:  # noqa: BLE001 (every escape is what is looked for)
        return traceback.format_exc()
    return "used"


def _work(folder: str, seed: int, cases: range, results: Any) -> None:
    files = whole_files()
    results.send((None, "begun"))
    for case in cases:
        # Ends the process with a trace where the case hangs.
        faulthandler.dump_traceback_later(SECONDS_A_CASE, exit=True)
        _, read, raw = damaged_file(files, seed, case)
        results.send((case, try_file(Path(folder), read, raw)))
    faulthandler.cancel_dump_traceback_later()
    results.send((None, peak_mib()))


def campaign(cases: range, seed: int) -> tuple[dict[str, int], list[str], str]:
    """Try cases; returns counts, descriptions of the bad ones, and peak MiB."""
    counts = {"used": 0, "refused": 0}
    bad: list[str] = []
    spawn = multiprocessing.get_context("spawn")
    next_case, peak = cases.start, "unknown"
    with tempfile.TemporaryDirectory() as folder:
        while next_case < cases.stop:
            ours, theirs = spawn.Pipe(duplex=False)
            left = range(next_case, cases.stop)
            target = partial(_work, folder, seed, left, theirs)
            process = spawn.Process(target=target)
            process.start()
            theirs.close()
            begun = False
            try:
                begun = ours.recv()[1] == "begun"
                while (message := ours.recv())[0] is not None:
                    next_case = message[0] + 1
                    if message[1] in counts:
                        counts[message[1]] += 1
                    else:
                        bad.append(f"case {message[0]} of seed {seed}: {message[1]}")
                peak = message[1]
            except EOFError:
                if not begun:
                    raise
                bad.append(f"case {next_case} of seed {seed}: hung or died")
                next_case += 1
            process.join()
    return counts, bad, peak


def main() -> int:
    """Run the campaign that the command line asks for."""
    files = whole_files()
    return run_campaign(
        __doc__, campaign, lambda seed, case: damaged_file(files, seed, case)[0]
    )


if __name__ == "__main__":
    sys.exit(main())
