"""How does the library do at scale, among rigs, and on its map?

    python -m tests.benchmarks.library_bench scale [--most N] [--folder DIR]
    python -m tests.benchmarks.library_bench rigs [--sets N] [--length S] [--all]
    python -m tests.benchmarks.library_bench map [--captures N]

scale adds invented nights of 60 captures and prints, at 100, 10,000 and 100,000
captures, CPU per added capture, wall time of questions (the best and the median of
nine; the machine may be shared) and sizes. rigs plays different DIs through fifty
invented rigs a set, measures them with the product and counts how often the same rig
is nearest. map opens the page of many captures in headless chromium and prints when
it was ready.
"""

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import permutations
from pathlib import Path

import numpy as np

from pipeline.dsp.activity import active_frames, frame_power
from pipeline.dsp.dynamics import level_curve
from pipeline.dsp.linearity import capture_spectra, coherence_curve, di_spectra
from pipeline.dsp.spectrum import (
    PowerSpectrum,
    average_spectrum,
    third_octave_bands,
    third_octave_levels,
)
from pipeline.library import tone
from pipeline.library.catalogue import FILE_NAME, RECORDS, Catalogue
from pipeline.library.character_map import map_data
from pipeline.library.find import find
from pipeline.library.judgement import BUILT_IN, rank
from pipeline.library.nearest import load_tones, similar
from pipeline.library.page import render_map
from pipeline.models.record import Axes, Curves, DiResult
from tests.library import invented
from tests.library.rigs import PLAYERS, RATE, Rig, play

RIGS = 50
NIGHT = 60
SIZES = (100, 10_000, 100_000)


def timed(ask: Callable[[], object], runs: int = 9) -> str:
    """Best and median wall time in ms."""
    taken = []
    for _ in range(runs):
        start = time.perf_counter()
        ask()
        taken.append(1000 * (time.perf_counter() - start))
    return f"{min(taken):8.1f} {statistics.median(taken):8.1f}"


def megabytes(path: Path) -> float:
    """Size of a file, or of all files in a folder."""
    files = [path] if path.is_file() else list(path.rglob("*"))
    return sum(file.stat().st_size for file in files if file.is_file()) / 1e6


def grow(library: Catalogue, folder: Path, sessions: range) -> float:
    """Add nights and return CPU seconds a capture."""
    start, making = time.process_time(), 0.0
    for seed in sessions:
        begun = time.process_time()
        run = invented.write(folder / f"run {seed}", invented.night(seed, NIGHT))
        making += time.process_time() - begun
        library.add(run)
        (run / "record.json").unlink()
    spent = time.process_time() - start - making
    return spent / max(1, len(sessions)) / NIGHT


def questions(library: Catalogue) -> dict[str, Callable[[], object]]:
    """What is asked at every size."""
    db = library.db
    both = ("distance_mm < 50", "brightness_hz > 1500")
    return {
        "find words and two ranges, 50 shown": lambda: find(
            db, "ribbon", both, limit=50
        ),
        "find one range, 50 shown": lambda: find(db, "", both[1:], limit=50),
        "find three words, 50 shown": lambda: find(db, "kitchen ribbon dark", limit=50),
        "find recall key and text, sorted": lambda: find(
            db, "", ("gain > 5", "amp ~ valve"), limit=50, order="-brightness_hz"
        ),
        "similar": lambda: similar(library, 7),
        "similar with a condition": lambda: similar(
            library, 7, conditions=("mic ~ rib",)
        ),
        "rank by a judgement": lambda: rank(library, BUILT_IN[0]),
    }


def reopened(library: Catalogue) -> None:
    """Everything a fresh process does but starting Python."""
    with Catalogue(library.root) as fresh:
        similar(fresh, 7)


def scale(most: int, kept: Path | None) -> None:
    """Print the growth table; a library that is kept is grown further next time."""
    with tempfile.TemporaryDirectory() as name:
        folder = kept or Path(name)
        with Catalogue(folder / "library") as library:
            done = library.db.execute("SELECT count(*) FROM session").fetchone()[0]
            for size in (size for size in SIZES if size <= most):
                wanted = -(-size // NIGHT)
                if wanted < done:
                    continue
                cpu = grow(library, folder, range(done, wanted))
                done = wanted
                print(f"\n{done * NIGHT} captures in {done} sessions")
                print(f"  add: {1000 * cpu:.2f} ms CPU a capture")
                answer(library)


def answer(library: Catalogue) -> None:
    """Print how long questions take and how large the library is."""
    start = time.perf_counter()
    load_tones(library)
    took = 1000 * (time.perf_counter() - start)
    print(f"  tones gathered after an add: {took:.0f} ms")
    for label, ask in questions(library).items():
        print(f"  {label:36} {timed(ask)} ms")
    print(f"  {'similar, catalogue opened anew':36}", end=" ")
    print(f"{timed(lambda: reopened(library))} ms")
    library.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    for part in (FILE_NAME, RECORDS, "cache"):
        print(f"  {part}: {megabytes(library.root / part):.1f} MB")
    sys.stdout.flush()


AXIS = tuple(band for band in third_octave_bands() if band.high_hz <= RATE / 2)
AXES = Axes(
    third_octave_hz=tuple(band.centre_hz for band in AXIS),
    third_octave_label=tuple(band.label for band in AXIS),
    erb_hz=(),
    smooth_hz=(),
)


def measure(di: np.ndarray, x: np.ndarray) -> tuple[Curves, DiResult] | None:
    """Curves of an aligned pair as the product measures them."""
    activity = active_frames(di, RATE)
    cross = capture_spectra(di_spectra(di, RATE, activity), x, activity)
    playing = average_spectrum(di, RATE, activity.active)
    levels = level_curve(frame_power(di, RATE), frame_power(x, RATE), activity)
    if cross is None or playing is None or levels is None:
        return None

    def on_axis(spectrum: PowerSpectrum) -> tuple[float, ...]:
        return tuple(third_octave_levels(spectrum)[: len(AXIS)].tolist())

    shares = dict(
        zip(*(part.round(3).tolist() for part in coherence_curve(cross)), strict=True)
    )
    curves = Curves(
        third_octave_db=on_axis(cross.capture),
        erb_db=(),
        smooth_db=(),
        coherence=tuple(shares.get(round(b.centre_hz, 3), 0.0) for b in AXIS),
        levels=tuple(
            zip(levels.di_db.tolist(), levels.capture_db.tolist(), strict=True)
        ),
        envelope=(),
    )
    result = DiResult(
        file="",
        sha256="",
        sample_rate_hz=RATE,
        frames=len(di),
        third_octave_db=on_axis(playing),
    )
    return curves, result


def tone_of(di: np.ndarray, rig: Rig, take: int) -> np.ndarray:
    """Tone of one take; zeros where the product says nothing."""
    measured = measure(di, rig.capture(di, take))
    found = tone.tone(*measured, AXES) if measured else None
    return np.zeros(tone.WIDTH, np.float32) if found is None else found


def rigs(sets: int, length_s: float, players: tuple[str, ...]) -> None:
    """Print how often the same rig is nearest, played by somebody else."""
    totals = np.zeros(3)
    for number in range(sets):
        base = 10_000 * (number + 1)
        tones = {}
        for take, kind in enumerate(players):
            di = play(kind, base + take, length_s)
            tones[kind] = np.array(
                [tone_of(di, Rig(base + k), take) for k in range(RIGS)]
            )
        for a, b in permutations(players, 2):
            rows = tone.expand(tones[b])
            own = np.arange(RIGS)
            by_rig = np.array([tone.rig_distances(rows, t)[0] for t in tones[a]])
            spectra = [t[-len(tone.BANDS_HZ) :].astype(float) for t in tones[a]]
            raw = np.array([tone.spectrum_distances(rows, s) for s in spectra])
            right = (by_rig.argmin(axis=1) == own).sum()
            plain = (raw.argmin(axis=1) == own).sum()
            totals += (right, plain, RIGS)
            print(f"set {number}: {a:9} against {b:9} rig {right}, spectrum {plain}")
            sys.stdout.flush()
    share = 100 * totals[:2] / totals[2]
    print(f"same rig nearest: {share[0]:.1f} % of {totals[2]:.0f}")
    print(f"by average spectrum: {share[1]:.1f} %")


def opened(captures: int) -> None:
    """Print how long the map of many captures takes to open and to answer."""
    from tests.browser.driver import absent, browser

    if absent():
        print(absent())
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        page = folder / "map.html"
        with Catalogue(folder / "library") as library:
            grow(library, folder, range(-(-captures // NIGHT)))
            start = time.perf_counter()
            html = render_map("Library of tones", map_data(library, page))
            took = time.perf_counter() - start
            print(f"written in {took:.2f} s, {len(html) / 1e6:.2f} MB")
        page.write_text(html, encoding="utf-8")
        (folder / "profile").mkdir()
        with browser(folder / "profile") as chromium:
            ready = "return document.documentElement.dataset.ready"
            taken = []
            for _ in range(5):
                chromium.open(page)
                taken.append(int(chromium.until(ready)))
            print(f"ready after {min(taken)} ms, median {statistics.median(taken)} ms")
            print(f"filtered and drawn in {chromium.wait(FILTER):.0f} ms")
            print(f"list scrolled and drawn in {chromium.wait(SCROLL):.0f} ms")
            rows = chromium.run("return document.querySelectorAll('.row').length")
            print(f"rows in the page: {rows}")


FILTER = """
const box = document.querySelector("#facets input"), start = performance.now();
box.click();
requestAnimationFrame(() => setTimeout(() => done(performance.now() - start)));
"""
SCROLL = """
const list = document.getElementById("list"), start = performance.now();
list.scrollTop = list.scrollHeight / 2;
requestAnimationFrame(() => setTimeout(() => done(performance.now() - start)));
"""


def main() -> None:
    """Read the options and run one bench."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("bench", choices=("scale", "rigs", "map"))
    parser.add_argument("--most", type=int, default=SIZES[-1])
    parser.add_argument("--folder", type=Path, help="keep the library here")
    parser.add_argument("--sets", type=int, default=2)
    parser.add_argument("--length", type=float, default=20.0)
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--captures", type=int, default=5000)
    options = parser.parse_args()
    if options.bench == "scale":
        scale(options.most, options.folder)
    elif options.bench == "rigs":
        players = tuple(PLAYERS) if options.all else ("riff", "lead", "strum")
        rigs(options.sets, options.length, players)
    else:
        opened(options.captures)


if __name__ == "__main__":
    main()
