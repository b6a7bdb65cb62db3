"""Interrupt a run at random instants: does it end soon, say so, and lose nothing?

    python -m tests.benchmarks.interrupt_bench --interrupts 100

Every round starts the command in a session of its own, as a terminal does, and after a
random part of the time that an undisturbed run takes interrupts it: Ctrl-C (SIGINT to
the whole group), Ctrl-C twice, SIGINT to the command alone, SIGTERM to it alone or to
the group. Then it looks at

- the message and the exit status, where the program's handler was in place (on Linux
  the system tells; before it is, Python itself is starting and nothing has begun) and
  the result had not been finished,
- the seconds until the command, and until every process of its session, was gone,
- what lies in the folder: no temporary files, and no file that is not byte by byte one
  of an undisturbed run.

After every few interruptions the run is started again and left alone; its result is
compared byte by byte with that of an undisturbed run. Prints a table of outcomes for
each number of workers; ends with 1 if anything was not as it should be. POSIX only.
"""

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.interruption import LIMIT_S, MESSAGE
from tests.benchmarks.kill_bench import differences
from tests.run.nights import content, finish, start, write_night

GRACE_S = 2.0
"""Within this, the command and all that it started must be gone."""


@dataclass(frozen=True)
class Way:
    """One way to interrupt."""

    name: str
    number: int
    group: bool = True
    times: int = 1

    def __call__(self, pid: int) -> None:
        """Interrupt a process that leads its group."""
        for again in range(self.times):
            if again:
                time.sleep(0.02)
            try:
                send = os.killpg if self.group else os.kill
                send(pid, self.number)
            except ProcessLookupError:
                return


WAYS = (
    Way("Ctrl-C", signal.SIGINT),
    Way("Ctrl-C twice", signal.SIGINT, times=2),
    Way("SIGINT alone", signal.SIGINT, group=False),
    Way("SIGTERM alone", signal.SIGTERM, group=False),
    Way("SIGTERM, group", signal.SIGTERM),
)


def handler(pid: int) -> str:
    """Whether the program's own handler is in place: before, handled or after."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text("utf-8").splitlines()
    except OSError:
        return "handled"
    fields = dict(row.split(":", 1) for row in lines)
    caught, ignored = (
        int(fields[name], 16) if name in fields else None
        for name in ("SigCgt", "SigIgn")
    )
    # Python leaves SIGTERM to the system: only the program itself handles it.
    bit = 1 << (signal.SIGTERM - 1)
    if ignored is not None and ignored & bit:
        return "after"
    return "handled" if caught is None or caught & bit else "before"


def members(session: int) -> list[int]:
    """Living processes of a session; those that only wait to be reaped are not."""
    found = []
    for entry in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, _, _, of = entry.read_text().rpartition(")")[2].split()[:4]
        except (OSError, ValueError):
            continue
        if int(of) == session and state != "Z":
            found.append(int(entry.parent.name))
    return found


@dataclass
class Campaign:
    """What was counted for one number of workers."""

    jobs: int
    outcomes: Counter[str] = field(default_factory=Counter)
    ended_s: list[float] = field(default_factory=list)
    gone_s: list[float] = field(default_factory=list)
    orphans: int = 0
    leftovers: int = 0
    torn: int = 0
    differ: int = 0
    bad: int = 0

    def strike(self, manifest: Path, folder: Path, way: Way, after_s: float) -> None:
        """Start a run, interrupt it and look at what became of it."""
        run = ("run", manifest, "--out", folder, "-q", "-j", self.jobs)
        with start(*run, start_new_session=True) as running:
            try:
                running.wait(after_s)
            except subprocess.TimeoutExpired:
                pass
            else:
                running.communicate()
                self.outcomes["had ended by itself"] += 1
                return
            where, began = handler(running.pid), time.monotonic()
            way(running.pid)
            try:
                running.wait(30.0)
            except subprocess.TimeoutExpired:
                running.kill()
            self.ended_s.append(time.monotonic() - began)
            while (left := members(running.pid)) and (
                time.monotonic() - began < GRACE_S
            ):
                time.sleep(0.01)
            self.gone_s.append(time.monotonic() - began)
            for pid in left:
                print("still there:", Path(f"/proc/{pid}/cmdline").read_bytes())
                os.kill(pid, signal.SIGKILL)
            _, said = running.communicate()
        self.orphans += len(left)
        self._judge(way, where, running.returncode, said)

    def _judge(self, way: Way, where: str, status: int, said: str) -> None:
        told = said == f"{MESSAGE}\n"
        right = (
            where == "before"
            or (status == 130 and told)
            or (where == "after" and status == 0)
        )
        words = "told" if told else ("silent" if not said else "other words")
        kind = {"before": "before the first line", "after": "finished"}.get(where)
        self.outcomes[f"{kind or 'at work'}: status {status}, {words}"] += 1
        if not right:
            self.bad += 1
            print(f"{way.name}, {where}: status {status}, said:\n{said}")

    def look(self, expected: dict[str, bytes], folder: Path) -> None:
        """Count what should not lie in an interrupted run's folder."""
        if not folder.exists():
            return
        names = [path.name for path in folder.rglob("*")]
        left = [name for name in names if name.startswith((".reamps-", ".aligned-"))]
        torn = [
            name
            for name, held in content(folder).items()
            if expected.get(name) != held
            and not name.startswith((".reamps-", ".aligned-"))
        ]
        self.leftovers += bool(left)
        self.torn += bool(torn)
        if left or torn:
            print(f"left: {left}; not of an undisturbed run: {torn}")

    def told(self) -> None:
        """Print what was counted."""
        print(f"\n--jobs {self.jobs}")
        for outcome, number in sorted(self.outcomes.items()):
            print(f"  {number:4d}  {outcome}")
        print(
            f"  ended after {max(self.ended_s):.2f} s at most, "
            f"{sorted(self.ended_s)[len(self.ended_s) // 2]:.2f} s in the median; all "
            f"processes gone after {max(self.gone_s):.2f} s at most"
        )
        print(
            f"  {self.bad} wrong messages or statuses, {self.orphans} orphans, "
            f"{self.leftovers} with temporary files, {self.torn} with torn files, "
            f"{self.differ} results differ from the undisturbed one"
        )

    @property
    def fine(self) -> bool:
        """Whether everything was as it should be."""
        wrong = (self.bad, self.orphans, self.leftovers, self.torn, self.differ)
        return not any(wrong) and max(self.ended_s) < GRACE_S


def campaign(base: Path, jobs: int, interrupts: int, dice: random.Random) -> Campaign:
    """Interrupt so many runs with so many workers."""
    manifest = write_night(base / "night", captures=3, seconds=3.0)
    finish("run", manifest, "--out", base / "first", "-q", "-j", jobs)
    began = time.monotonic()
    status, _, said = finish("run", manifest, "--out", base / "whole", "-q", "-j", jobs)
    whole_s = time.monotonic() - began
    if status:
        sys.exit(f"the undisturbed run failed: {said}")
    expected, folder = content(base / "whole"), base / "interrupted"
    counted = Campaign(jobs)
    while counted.outcomes.total() < interrupts:
        # Several in one folder: each meets what the one before left.
        left = interrupts - counted.outcomes.total()
        for _ in range(min(dice.randint(2, 5), left)):
            after_s = dice.uniform(0.0, 1.05) * whole_s
            counted.strike(manifest, folder, dice.choice(WAYS), after_s)
            counted.look(expected, folder)
        status, _, said = finish("run", manifest, "--out", folder, "-q", "-j", jobs)
        wrong = differences(expected, folder)
        if status or wrong:
            counted.differ += 1
            print(f"status {status}: {said}; differ: {wrong}")
        shutil.rmtree(folder)
    print(f"an undisturbed run takes {whole_s:.1f} s")
    shutil.rmtree(base / "whole")
    shutil.rmtree(base / "first")
    return counted


def main() -> int:
    """Run the campaign that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--interrupts", type=int, default=100)
    parser.add_argument("--jobs", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if os.name == "nt":
        sys.exit("signals of POSIX are asked for")
    dice = random.Random(options.seed)  # noqa: S311 (repeatable on purpose)
    fine = True
    with tempfile.TemporaryDirectory() as name:
        for jobs in options.jobs:
            counted = campaign(Path(name), jobs, options.interrupts, dice)
            counted.told()
            fine &= counted.fine
    print(f"\nthe program ends itself after {LIMIT_S} s at the latest")
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())
