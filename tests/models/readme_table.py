"""The README's table of metrics, made from the one table of the code.

`python -m tests.models.readme_table` writes it into the README.
"""

from pathlib import Path

from pipeline.models.metrics import METRICS

README = Path(__file__).parents[2] / "README.md"
BEGIN, END = "<!-- metrics table -->\n", "<!-- end of metrics table -->\n"


def table() -> str:
    """One row a metric, as Markdown."""
    rows = ["| key | label | unit | higher means | definition | source |"]
    rows.append("|---|---|---|---|---|---|")
    rows += [
        f"| `{m.key}` | {m.label} | {m.unit} | {m.rising} | {m.definition} | "
        f"{m.source} |"
        for m in METRICS
    ]
    return "\n".join(rows) + "\n"


def split(text: str) -> tuple[str, str, str]:
    """README before, inside and after the table."""
    before, rest = text.split(BEGIN)
    inside, after = rest.split(END)
    return before, inside, after


if __name__ == "__main__":
    before, _, after = split(README.read_text(encoding="utf-8"))
    text = before + BEGIN + table() + END + after
    README.write_text(text, encoding="utf-8", newline="\n")
