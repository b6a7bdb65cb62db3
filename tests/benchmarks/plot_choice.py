"""Which library draws the page's pictures: one plot, two candidates, figures.

Sixty average spectra of 31 third-octave points are drawn by Bokeh (canvas, its
JavaScript inlined) and by matplotlib (SVG text). Printed for each: bytes of a page
with that one plot, CPU seconds to import and to build (fresh interpreter, warm
byte code), and the time chromium takes from file:// to the end of loading.

Run: python tests/benchmarks/plot_choice.py
"""

import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

CAPTURES = 60
POINTS = 31

DATA = f"""
import math, time
x = [1000 * 10 ** ((n - 17) / 10) for n in range({POINTS})]
ys = [[-30 - abs(math.log2(f / (300 + 20 * i))) * 5 + math.sin(i + k) for k, f in
       enumerate(x)] for i in range({CAPTURES})]
start = time.process_time()
"""

BOKEH = (
    DATA
    + """
from bokeh.embed import file_html
from bokeh.plotting import figure
from bokeh.resources import INLINE
imported = time.process_time()
plot = figure(x_axis_type="log", width=760, height=420)
for y in ys:
    plot.line(x, y)
page = file_html(plot, INLINE)
built = time.process_time()
"""
)

MATPLOTLIB = (
    DATA
    + """
import io
import matplotlib
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
imported = time.process_time()
matplotlib.rcParams["svg.fonttype"] = "none"
picture = Figure(figsize=(7.6, 4.2))
FigureCanvasSVG(picture)
axes = picture.add_subplot()
axes.set_xscale("log")
for i, y in enumerate(ys):
    axes.plot(x, y, gid=f"line-{i}")
text = io.StringIO()
picture.savefig(text, format="svg")
page = "<!doctype html><meta charset=utf-8><title>x</title>" + text.getvalue()
built = time.process_time()
"""
)

REPORT = """
import json, pathlib, sys
pathlib.Path(sys.argv[1]).write_text(page, encoding="utf-8")
print(json.dumps({"import_s": imported - start, "build_s": built - imported}))
"""


def open_seconds(page: Path, profile: Path) -> float | None:
    """Wall seconds of a headless chromium that opens the page and leaves.

    Parameters
    ----------
    page : Path
        The page.
    profile : Path
        Folder for the browser's profile.

    Returns
    -------
    float or None
        Seconds, None where there is no chromium.
    """
    browser = shutil.which("chromium")
    if browser is None:
        return None
    began = time.perf_counter()
    subprocess.run(
        [
            browser,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            f"--user-data-dir={profile}",
            "--dump-dom",
            page.as_uri(),
        ],
        check=True,
        capture_output=True,
    )
    return time.perf_counter() - began


def main() -> None:
    """Print one line of JSON for each candidate and one for an empty page."""
    with tempfile.TemporaryDirectory() as folder:
        empty = Path(folder, "empty.html")
        empty.write_text("<!doctype html><title>x</title>", encoding="utf-8")
        profile = Path(folder, "profile")
        open_seconds(empty, profile)
        print("empty page:", json.dumps({"open_s": open_seconds(empty, profile)}))
        for name, code in (("bokeh", BOKEH), ("matplotlib", MATPLOTLIB)):
            page = Path(folder, f"{name}.html")
            for _ in range(2):
                found = subprocess.run(
                    [sys.executable, "-c", code + REPORT, str(page)],
                    check=True,
                    capture_output=True,
                    text=True,
                )
            figures = json.loads(found.stdout)
            figures["page_bytes"] = page.stat().st_size
            figures["open_s"] = open_seconds(page, profile)
            print(f"{name}:", json.dumps(figures))


if __name__ == "__main__":
    main()
