"""Damaged audio files by the thousand: nothing but a clear refusal may come out.

    python -m tests.benchmarks.fuzz_audio --cases 10000

Real headers of every kind (written by libsndfile, and by hand where it cannot)
are damaged: flipped bytes, sizes that lie, cuts, repeats, splices. Each file is
then probed, read at its own and at another rate, hashed and searched for
chunks, in a process of its own kind that is replaced when it dies or takes
longer than 10 s. Case n of a seed is always the same file.

Prints a line of figures and one of kinds; ends with 1 when a case raised anything
but `AudioError`, died, hung, or gave samples that the file cannot hold.
"""

import io
import multiprocessing
import queue
import random
import struct
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from pipeline.errors import AudioError
from pipeline.files.audio import ChannelSource, probe, sha256_of
from pipeline.files.samples import WIDTHS
from pipeline.files.wave_chunks import BextFields, read_bext, read_chunks, wave_head
from tests.benchmarks.fuzzing import peak_mib, run_campaign

SECONDS_A_CASE = 10.0
FRAMES = 1_500
FIRST_BYTES = 200
NASTY = (0, 1, 2, 7, 8, 255, 0x7FFF, 0xFFFF, 2**31 - 1, 2**31, 2**32 - 2, 2**32 - 1)
KINDS = (
    ("WAV", "PCM_U8", 1),
    ("WAV", "PCM_16", 2),
    ("WAV", "FLOAT", 1),
    ("WAVEX", "PCM_24", 3),
    ("WAVEX", "DOUBLE", 1),
    ("RF64", "PCM_24", 1),
    ("RF64", "FLOAT", 2),
    ("AIFF", "PCM_16", 1),
    ("AIFF", "PCM_24", 2),
    ("AIFF", "FLOAT", 1),
    ("FLAC", "PCM_16", 1),
    ("FLAC", "PCM_24", 2),
    ("CAF", "PCM_16", 2),
    ("CAF", "PCM_24", 1),
    ("CAF", "FLOAT", 1),
)


def whole_files() -> list[tuple[str, bytes]]:
    """Make one undamaged file of every kind, with its name."""
    noise = np.random.default_rng(5).uniform(-0.5, 0.5, (FRAMES, 3))
    files = []
    for container, subtype, channels in KINDS:
        stored = io.BytesIO()
        soundfile.write(
            stored, noise[:, :channels], 44_100, format=container, subtype=subtype
        )
        files.append((container, stored.getvalue()))
        if container == "RF64":
            files.append(("BW64", b"BW64" + stored.getvalue()[4:]))
    bext = BextFields(description="damaged on purpose", loudness_value_lufs=-23.0)
    head = wave_head(FRAMES, 48_000, bext, {"INAM": "noise"})
    files.append(("WAV with bext", head + bytes(3 * FRAMES)))
    return files


def _flip(raw: bytearray, dice: random.Random) -> None:
    for _ in range(dice.randint(1, 8)):
        raw[dice.randrange(min(len(raw), FIRST_BYTES))] = dice.randrange(256)


def _lie(raw: bytearray, dice: random.Random) -> None:
    size, code = dice.choice(((2, "H"), (4, "I"), (8, "Q")))
    place = dice.randrange(max(1, min(len(raw), FIRST_BYTES) - size))
    number = dice.choice((*NASTY, len(raw), len(raw) - 8)) % 2 ** (8 * size)
    raw[place : place + size] = struct.pack(dice.choice("<>") + code, number)


def _cut(raw: bytearray, dice: random.Random) -> None:
    del raw[dice.randrange(len(raw)) :]


def _shift(raw: bytearray, dice: random.Random) -> None:
    place = dice.randrange(min(len(raw), FIRST_BYTES))
    if dice.random() < 0.5:
        raw[place:place] = dice.randbytes(dice.randint(1, 40))
    else:
        del raw[place : place + dice.randint(1, 40)]


def _repeat(raw: bytearray, dice: random.Random) -> None:
    start = dice.randrange(len(raw))
    raw[start:start] = raw[start : start + dice.randint(1, 400)] * dice.randint(1, 20)


def _garble(raw: bytearray, dice: random.Random) -> None:
    start = dice.randrange(4, max(5, len(raw)))
    stop = start + dice.randint(1, 4_000)
    raw[start:stop] = dice.randbytes(len(raw[start:stop]))


DAMAGES = (_flip, _flip, _lie, _lie, _lie, _cut, _shift, _repeat, _garble)


def damaged_file(
    files: list[tuple[str, bytes]], seed: int, case: int
) -> tuple[str, bytes]:
    """Make the file of a case: one to three damages of a whole file of some kind."""
    dice = random.Random(f"{seed}/{case}")  # noqa: S311 - repeatable on purpose
    kind, whole = dice.choice(files)
    raw = bytearray(whole)
    for _ in range(dice.randint(1, 3)):
        if len(raw) > 16:
            dice.choice(DAMAGES)(raw, dice)
    return kind, bytes(raw)


def _read_everywhere(path: Path, rate_hz: int | None) -> None:
    with ChannelSource(path, 1, sample_rate_hz=rate_hz) as source:
        spots = (-500, 0, source.frames // 2, source.frames - 500, source.frames + 5)
        for start in spots:
            block = source.read(start, 1_000)
            if block.shape != (1_000,) or block.dtype != np.float32:
                msg = f"{block.shape} {block.dtype}"
                raise AssertionError(msg)
        for start in range(0, source.frames, 65_536):
            source.read(start, 65_536)


def _clear(path: Path, step: Callable[[], object]) -> bool:
    """Take a step; False when it was refused, in words that name the file."""
    try:
        step()
    except AudioError as error:
        if error.code != "unreadable" or path.name not in str(error):
            msg = f"unclear refusal: {error.code} {error}"
            raise AssertionError(msg) from error
        return False
    return True


def try_file(path: Path) -> bool:
    """Do all that a run does with a file; True when it could be used."""
    size = path.stat().st_size
    sha256_of(path)
    read_bext(path)
    _clear(path, lambda: read_chunks(path))
    usable = _clear(path, lambda: _read_everywhere(path, None))
    usable &= _clear(path, lambda: _read_everywhere(path, 48_000))
    try:
        info = probe(path)
    except AudioError:
        return False
    if info.container != "FLAC":
        stored = info.frames * info.channels * WIDTHS[info.subtype]
        if stored > size:
            msg = f"{info} holds more than the {size} bytes of its file"
            raise AssertionError(msg)
    return usable


def _work(folder: str, seed: int, cases: "multiprocessing.Queue", results) -> None:
    files = whole_files()
    path = Path(folder) / f"case-{multiprocessing.current_process().pid}.bin"
    while (case := cases.get()) is not None:
        path.write_bytes(damaged_file(files, seed, case)[1])
        try:
            results.put((case, "used" if try_file(path) else "refused"))
        except BaseException:  # noqa: BLE001 - every escape is what is looked for
            results.put((case, traceback.format_exc()))
    results.put((None, peak_mib()))


class _Worker:
    """A process that tries cases, one at a time."""

    def __init__(self, folder: str, seed: int) -> None:
        spawn = multiprocessing.get_context("spawn")
        self.cases, self.results = spawn.Queue(), spawn.Queue()
        arguments = folder, seed, self.cases, self.results
        self.process = spawn.Process(target=_work, args=arguments, daemon=True)
        self.process.start()

    def result(self, case: int) -> str:
        self.cases.put(case)
        # A fresh process first has to import its libraries.
        end = time.monotonic() + SECONDS_A_CASE + 20.0 * (case == 0)
        while time.monotonic() < end:
            try:
                return self.results.get(timeout=0.5)[1]
            except queue.Empty:
                if not self.process.is_alive():
                    return f"died with {self.process.exitcode}"
        self.process.kill()
        return f"took longer than {SECONDS_A_CASE} s"


def campaign(cases: range, seed: int) -> tuple[dict[str, int], list[str], str]:
    """Try cases; returns counts, descriptions of the bad ones, and peak MiB."""
    counts = {"used": 0, "refused": 0}
    bad: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        worker = _Worker(folder, seed)
        for case in cases:
            outcome = worker.result(case)
            if outcome in counts:
                counts[outcome] += 1
                continue
            bad.append(f"case {case} of seed {seed}: {outcome}")
            if not worker.process.is_alive() or "longer" in outcome:
                worker = _Worker(folder, seed)
        worker.cases.put(None)
        peak = worker.results.get(timeout=SECONDS_A_CASE)[1]
        worker.process.join()
    return counts, bad, peak


def main() -> int:
    """Run the campaign that the command line asks for."""
    files = whole_files()
    return run_campaign(
        __doc__, campaign, lambda seed, case: damaged_file(files, seed, case)[0]
    )


if __name__ == "__main__":
    sys.exit(main())
