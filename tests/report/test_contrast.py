"""Contrast of what is drawn: WCAG 2.2, success criterion 1.4.11, 3:1 at least."""

import re
from importlib.resources import files

import pytest

CSS = files("pipeline.report").joinpath("static", "page.css").read_text("utf-8")


def colours(block):
    return dict(re.findall(r"--([\w-]+):(#[0-9a-f]{6})", block))


LIGHT = colours(CSS.partition("@media")[0])
DARK = {**LIGHT, **colours(CSS.partition("@media")[2].partition("}}")[0])}


def parts(colour):
    return [int(colour[k : k + 2], 16) for k in (1, 3, 5)]


def luminance(rgb):
    # WCAG 2.2, definition of relative luminance.
    lin = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in rgb]
    return 0.2126 * lin[0] + 0.7152 * lin[1] + 0.0722 * lin[2]


def contrast(front, back, opacity=1.0):
    over = [
        (opacity * a + (1 - opacity) * b) / 255
        for a, b in zip(parts(front), parts(back), strict=True)
    ]
    high, low = sorted(
        (luminance(over), luminance([v / 255 for v in parts(back)])), reverse=True
    )
    return (high + 0.05) / (low + 0.05)


def test_the_formula_is_the_standard_s():
    # WCAG 2.2: black on white is 21:1; #777777 on white 4.48:1, well known.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("scheme", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("name", [*(f"s{k}" for k in range(7)), "sx"])
def test_every_line_can_be_seen(scheme, name):
    opacity = float(re.search(r"\.curves path\{opacity:([\d.]+)", CSS).group(1))
    assert contrast(scheme[name], scheme["sheet"], opacity) >= 3.0


@pytest.mark.parametrize("scheme", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("name", ["edge", "accent", "warn", "reject", "ink-soft"])
def test_every_edge_and_mark_can_be_seen(scheme, name):
    assert contrast(scheme[name], scheme["sheet"]) >= 3.0
    assert contrast(scheme[name], scheme["paper"]) >= 3.0
