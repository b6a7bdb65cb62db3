"""Views of markers and sweeps; the record is built by hand."""

from typing import Any

import pytest

from pipeline.report.harmonics import SHOWN_HZ, sweeps
from pipeline.report.names import names
from pipeline.report.page import render_page
from tests.report.records import night, record

HERTZ = [round(30.0 * 2 ** (k / 6), 2) for k in range(53)]


def played() -> dict[str, Any]:
    """Twelve captures of which the first recorded the play-out file."""
    data = night(12)
    data["playout"] = {
        "file": "out.wav",
        "di_start": 480_000,
        "sweep_dbfs": -12.0,
        "sweep_hz": HERTZ,
    }
    levels = [[-20.0 * order] * (50 - 4 * order) for order in range(1, 5)]
    noise = [[-70.0] * len(level) for level in levels]
    data["captures"][0]["latency"] |= {"samples": 480_612.0, "ms": 10_012.75}
    data["captures"][0]["playout"] = {
        "lead_samples": 480_000,
        "lead_ms": 10_000.0,
        "latency_samples": 612.4,
        "polarity": 1,
        "spread_samples": 0.1,
        "apart_samples": -0.4,
        "drift_ppm": 0.01,
        "noise_dbfs": -81.0,
        "sweep": {
            "linear_db": [-6.0] * 53,
            "harmonics_db": levels,
            "noise_db": noise,
        },
    }
    return data


def test_a_line_ends_where_noise_begins() -> None:
    session = record(played())
    (view,) = sweeps(session, names(session)).values()
    assert [bool(line.path) for line in view.lines] == [True, True, True, False]
    assert len(view.rows) == len(SHOWN_HZ)
    # Harmonics of -20, -40, -60 and -80 dB: 10.05 % by hand; the fifth is at -80 dB
    # under noise of -70 dB, so all that is certain is 3 dB above that.
    row = view.rows[0]
    assert row.levels == (
        "\N{MINUS SIGN}20",
        "\N{MINUS SIGN}40",
        "\N{MINUS SIGN}60",
        "< \N{MINUS SIGN}67",
    )
    assert row.total.startswith("10.05")


def test_what_was_played_ahead_of_the_di_is_not_latency() -> None:
    session = record(played())
    first = session.captures[0]
    assert first.late_samples == 612.0
    assert first.late_ms == 12.75
    assert session.captures[1].latency is not None
    assert session.captures[1].late_ms == session.captures[1].latency.ms
    page = render_page(session)
    assert "12.75" in page
    assert "10012" not in page
    assert "the same within 0.40 samples" in page


@pytest.mark.parametrize("data", [played(), night(12)])
def test_every_row_of_the_latencies_has_as_many_cells_as_the_head(
    data: dict[str, Any],
) -> None:
    page = render_page(record(data))
    start = page.index('aria-label="Latency and polarity"')
    table = page[start : page.index("</table>", start)]
    head, *rows = table.split("<tr")[1:]
    cells = [row.count("<td") for row in rows]
    # The pass stands once over all its rows.
    assert set(cells) == {head.count("<th ") - 1}


def test_a_session_without_play_out_file_says_nothing_of_it() -> None:
    page = render_page(record(night(12)))
    assert "harmonic-frame" not in page
    assert "markers" not in page.lower()
