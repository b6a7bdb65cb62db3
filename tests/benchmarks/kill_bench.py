"""Kill a run at random instants and run it again: is anything lost, left or mixed?

    python -m tests.benchmarks.kill_bench --kills 50

Every round kills a run (SIGKILL, or its like) after a random part of the time that an
undisturbed run takes, in a fresh folder or one that was killed before, every fifth with
two workers; then the run is started again and left alone, and every file of the result,
but for what is kept for the next run, is compared byte by byte with that of the
undisturbed run. Runs begin in a process that has imported the program already, where
the system can do that: instants fall into work, not into imports. Prints what each kill
left and one line of figures; ends with 1 if any byte differed.
"""

import argparse
import os
import random
import shutil
import sys
import tempfile
import time
from multiprocessing import get_all_start_methods, get_context
from multiprocessing.process import BaseProcess
from pathlib import Path

from pipeline.run.service import Options, run_manifests
from tests.run.nights import ONE_THREAD, content, write_night


def _run(manifest: Path, folder: Path, jobs: int) -> None:
    os.environ.update(ONE_THREAD)
    options = Options(jobs=jobs, quiet=True)
    (outcome,) = run_manifests([manifest], folder, options)
    sys.exit(outcome.status)


def begin(manifest: Path, folder: Path, jobs: int) -> BaseProcess:
    """Start a run in a process of its own."""
    method = "forkserver" if "forkserver" in get_all_start_methods() else "spawn"
    context = get_context(method)
    if method == "forkserver":
        context.set_forkserver_preload(["pipeline.run.service", "tests.run.nights"])
    process = context.Process(target=_run, args=(manifest, folder, jobs))
    process.start()
    return process


def kill_once(manifest: Path, folder: Path, jobs: int, after_s: float) -> bool:
    """Start a run and kill it; True when it had not ended by itself."""
    process = begin(manifest, folder, jobs)
    process.join(after_s)
    alive = process.is_alive()
    process.kill()
    process.join()
    return alive


def whole(manifest: Path, folder: Path) -> tuple[int | None, float]:
    """Run undisturbed: exit status and seconds."""
    began = time.monotonic()
    process = begin(manifest, folder, 1)
    process.join()
    return process.exitcode, time.monotonic() - began


def differences(expected: dict[str, bytes], folder: Path) -> list[str]:
    """Names of files that are missing, too many, or of other bytes."""
    found = content(folder)
    names = sorted(expected.keys() | found.keys())
    return [name for name in names if expected.get(name) != found.get(name)]


def main() -> int:
    """Run the campaign that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    dice = random.Random(options.seed)  # noqa: S311 (repeatable on purpose)
    bad = kills = 0
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        base = Path(name)
        manifest = write_night(base / "night", captures=3, seconds=3.0)
        whole(manifest, base / "first")
        status, whole_s = whole(manifest, base / "whole")
        if status:
            sys.exit("the undisturbed run failed")
        expected = content(base / "whole")
        folder = base / "killed"
        while kills < options.kills:
            # Several kills in one folder: each meets what the one before left.
            for _ in range(min(dice.randint(3, 7), options.kills - kills)):
                jobs = 2 if kills % 5 == 4 else 1
                after_s = dice.uniform(0.0, 1.1) * whole_s * jobs
                kills += kill_once(manifest, folder, jobs, after_s)
                left = len(content(folder, kept=True)) if folder.exists() else 0
                print(f"kill {kills} after {after_s:.2f} s left {left} files")
            status, _ = whole(manifest, folder)
            wrong = differences(expected, folder)
            if status or wrong:
                bad += 1
                print(f"status {status}; differ: {wrong}")
            shutil.rmtree(folder)
    print(
        f"{kills} kills of a run of {whole_s:.1f} s, {bad} results differ from the "
        f"undisturbed one, {time.monotonic() - began:.0f} s"
    )
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
