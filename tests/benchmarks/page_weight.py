"""What the page weighs and how soon it opens, from 16 to 1000 captures.

Printed a line of JSON for each size: bytes of the page without audio, CPU seconds to
render it, and in chromium from file://: milliseconds to the load event and CPU
seconds of the page's main thread. The import of the page is printed first.

Run: python tests/benchmarks/page_weight.py
"""

import json
import sys
import tempfile
import time
from pathlib import Path

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS.parent), str(TESTS / "report"), str(TESTS / "browser")]
SIZES = (16, 60, 500, 1000)


def main() -> None:
    """Print the figures."""
    import numpy  # noqa: F401 a run has it loaded anyway
    import pydantic  # noqa: F401 likewise

    began = time.process_time()
    from pipeline.report.page import render_page

    print("import:", json.dumps({"cpu_s": round(time.process_time() - began, 3)}))
    import driver
    import records

    with tempfile.TemporaryDirectory() as folder:
        pages = {}
        for size in SIZES:
            record = records.record(records.night(size))
            began = time.process_time()
            text = render_page(record)
            cpu = time.process_time() - began
            pages[size] = Path(folder, f"{size}.html")
            pages[size].write_text(text, encoding="utf-8")
            figures = {"bytes": len(text.encode()), "render_cpu_s": round(cpu, 3)}
            print(f"{size} captures:", json.dumps(figures))
        if driver.absent():
            print(driver.absent())
            return
        with driver.browser(Path(folder)) as found:
            found.window(1280, 900)
            found.tools("Performance.enable", timeDomain="threadTicks")
            found.open(pages[16])
            for size, page in pages.items():
                found.open(page)
                load_ms = found.run(
                    "return performance.getEntriesByType('navigation')[0].loadEventEnd"
                )
                metrics = found.tools("Performance.getMetrics")["metrics"]
                table = {item["name"]: item["value"] for item in metrics}
                figures = {
                    "load_ms": round(load_ms),
                    "layout_cpu_s": round(table["LayoutDuration"], 2),
                    "script_cpu_s": round(table["ScriptDuration"], 2),
                }
                print(f"{size} captures open:", json.dumps(figures))


if __name__ == "__main__":
    main()
