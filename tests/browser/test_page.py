"""The page in a real chromium, opened from disk: truth by looking."""

import driver
import pytest
import records

from pipeline.models.metrics import METRICS

PLACES = ("bare", "empty", "hostile", "sixty", "many")


UNFOLD = "document.getElementById('folding').click()"


def outside(requests):
    return [r for r in requests if not r.startswith(("file:", "data:"))]


@pytest.mark.parametrize("name", PLACES)
def test_opens_quietly_and_asks_nobody(page, pages, name):
    page.open(pages[name])
    page.run(
        "for (const d of [...document.querySelectorAll('details')].slice(0, 40))"
        " d.open = true"
    )
    assert page.complaints() == []
    requests = page.requests()
    assert outside(requests) == []
    assert [r for r in requests if r.startswith("file:")] == [pages[name].as_uri()]


@pytest.mark.parametrize("name", PLACES)
def test_never_scrolls_sideways(page, pages, name):
    page.window(360, 800, phone=True)
    page.open(pages[name])
    page.run(
        "for (const d of [...document.querySelectorAll('.each')].slice(0, 20))"
        " d.open = true"
    )
    for width in (360, 390, 768, 1280):
        page.window(width, 800, phone=width < 500)
        assert page.run("return document.documentElement.scrollWidth") <= width


def test_markup_in_names_stays_text(page, pages):
    # An alert would make the driver fail: "unexpected alert open".
    page.open(pages["hostile"])
    page.run("for (const d of document.querySelectorAll('details')) d.open = true")
    page.press("j", "j", "r", "k")
    page.run("document.getElementById('find').value = 'script'")
    assert page.run("return document.title") == records.HOSTILE
    assert page.run("return document.querySelector('h1').textContent") == (
        records.HOSTILE
    )
    assert page.run("return document.querySelectorAll('script').length") == 2
    assert page.run("return document.querySelectorAll('img').length") == 0
    shown = page.run(
        "return [...document.querySelectorAll('#table tbody th')]"
        ".map(n => n.textContent)"
    )
    named = [
        next((name for name in records.HOSTILE_NAMES if text.startswith(name)), None)
        for text in shown
    ]
    assert {name for name in named if name} == set(records.HOSTILE_NAMES)
    bad = page.run(
        "return [...document.querySelectorAll('[href],[src]')]"
        ".map(n => n.getAttribute('href') || n.getAttribute('src'))"
        ".filter(v => v && !/^(#|[.]\\/|data:,$)/.test(v))"
    )
    assert bad == []


def test_one_capture_lights_up_everywhere(page, night):
    page.open(night)
    page.run("document.querySelector('#table tr[data-i=\"2\"] button').click()")
    lit = page.run(
        "return [...document.querySelectorAll('.on')]"
        ".map(n => n.tagName.toLowerCase() + n.dataset.i)"
    )
    for wanted in ("tr2", "circle2", "details2", "text2"):
        assert wanted in lit
    assert {mark[-1] for mark in lit} == {"2"}
    for plot in ("levels", "differences"):
        drawn = page.run(
            f"return document.querySelectorAll('[data-plot={plot}] .over path').length"
        )
        assert drawn == 2
    assert page.run("return document.getElementById('dock-name').textContent") == "t003"


ROWS = (
    "return [...document.querySelectorAll('#table tbody tr')]"
    ".filter(r => !r.hidden).map(r => r.dataset.i)"
)


def test_what_cannot_be_told_apart_is_folded(page, night):
    # The record's one group: t001 and t004, which repeats it.
    page.open(night)
    every = {str(k) for k in range(16)}
    assert set(page.run(ROWS)) == every - {"3"}
    told = page.run("return document.querySelector('.wide-label').textContent")
    assert "0.35" in told
    assert "15 usable captures become 14 choices" in told
    page.run("document.querySelector('.twins').focus()")
    page.press("Enter")
    assert page.run(ROWS)[:2] == ["0", "3"]
    assert page.run(
        "return document.querySelector('.twins').getAttribute('aria-expanded')"
    ) == ("true")
    assert "not distinguishable from t001 tonight" in page.run(
        "return document.querySelector('tr[data-i=\"3\"]').innerText"
    )
    page.press("Enter")
    assert "3" not in page.run(ROWS)
    page.run(UNFOLD)
    assert set(page.run(ROWS)) == every


def test_a_folded_capture_shows_when_it_is_selected_or_sought(page, night):
    page.open(night)
    page.run("reampsPage.select(3)")
    assert "3" in page.run(ROWS)
    page.open(night)
    page.run(
        "const f = document.getElementById('find'); f.value = 't004';"
        "f.dispatchEvent(new Event('input'))"
    )
    assert page.run(ROWS) == ["3"]


def test_sets_of_columns_fit_the_screen(page, night):
    page.open(night)
    for kind in ("tone", "touch", "level"):
        page.run(
            "const c = document.getElementById('columns'); c.value = arguments[0];"
            "c.dispatchEvent(new Event('change'))",
            kind,
        )
        wide, room = page.run(
            "const s = document.querySelector('#captures .scroll');"
            "return [s.scrollWidth, s.clientWidth]"
        )
        assert wide <= room, kind
    shown = page.run(
        "const c = document.getElementById('columns'); c.value = 'all';"
        "c.dispatchEvent(new Event('change'));"
        "return [...document.querySelectorAll('#table thead th')]"
        ".filter(h => h.offsetParent).length"
    )
    assert shown == 9 + len(METRICS)


def press(page, query):
    page.run(
        "document.querySelector(arguments[0])"
        ".dispatchEvent(new MouseEvent('click', {bubbles: true}))",
        query,
    )


@pytest.mark.parametrize(
    "query",
    [
        "[data-plot=tones] circle[data-i='6']",
        "[data-plot=map] circle[data-i='6']",
        "[data-plot=front] circle[data-i='6']",
        "[data-plot=above] circle[data-i='6']",
        "#table tr[data-i='6'] td:nth-child(3)",
        "#passes tr[data-i='6'] button",
    ],
)
def test_what_is_pressed_lights_up_and_plays(page, night, query):
    page.open(night)
    press(page, query)
    assert page.run("return reampsPage.selected") == 6
    page.until("return reampsPlayer.state().heard === 'c6'")
    page.run("reampsPlayer.pause()")
    assert page.complaints() == []


def test_a_line_is_pressed_where_it_runs(page, night):
    # Where one line is alone: the largest gap to its neighbours in the record.
    data = records.record(records.night(16))
    rows = [k for k, hz in enumerate(data.axes.smooth_hz) if 40 <= hz <= 16000]
    curves = {k: c.curves.smooth_db for k, c in enumerate(data.captures) if c.curves}
    index, band = max(
        ((k, b) for k in curves for b in range(len(rows))),
        key=lambda at: min(
            abs(curves[k][rows[at[1]]] - curves[at[0]][rows[at[1]]])
            for k in curves
            if k != at[0]
        ),
    )
    page.open(night)
    page.run(
        "const p = document.querySelector('[data-plot=differences]');"
        "p.scrollIntoView({behavior: 'instant', block: 'center'});"
        "reampsPage.setReference(0);"
        "const [x, y] = p.querySelector(`.curves path[data-i='${arguments[0]}']`)"
        ".getAttribute('d').slice(1).split('L')[arguments[1]].split(',').map(Number);"
        "const at = new DOMPoint(x, y).matrixTransform(p.getScreenCTM());"
        "p.dispatchEvent(new MouseEvent('click',"
        " {bubbles: true, clientX: at.x, clientY: at.y}))",
        index,
        band,
    )
    assert page.run("return reampsPage.selected") == index
    page.until(f"return reampsPlayer.state().heard === 'c{index}'")
    page.run("reampsPlayer.pause()")


def test_playing_what_is_pressed_can_be_switched_off(page, night):
    page.open(night)
    page.run("document.getElementById('follow').click()")
    press(page, "[data-plot=tones] circle[data-i='6']")
    assert page.run("return reampsPage.selected") == 6
    assert not page.run("return reampsPlayer.state().playing")
    page.open(night)
    assert not page.run("return document.getElementById('follow').checked")
    page.run("localStorage.clear()")


def numbers(page, kind):
    """Rows of a picture's table of numbers, heads first."""
    page.run(
        "const b = document.querySelector(`[data-numbers=${arguments[0]}]`);"
        "for (let d = b; (d = d.parentElement.closest('details'));) d.open = true",
        kind,
    )
    box = f"document.querySelector('[data-numbers={kind}]')"
    page.until(f"return {box}.querySelector('tbody')")
    return page.run(
        f"return [...{box}.querySelectorAll('tr')]"
        ".map(r => [...r.cells].map(c => c.textContent))"
    )


def number(shown):
    return float(shown.replace("\u2212", "-"))


def test_every_picture_has_its_numbers(page, night):
    # Truth: the record. What is drawn is rounded to 0.1 units of the picture.
    data = records.record(records.night(16))
    page.open(night)
    heads, *rows = numbers(page, "sums")
    third = list(data.axes.third_octave_label)
    assert [row[0] for row in rows] == [
        "as they stood",
        "one flipped",
        "moved together",
        "moved together, one flipped",
    ]
    curve = data.pairs[0].sums.as_placed.curve_db
    for head, shown in zip(heads[1:], rows[0][1:], strict=True):
        assert number(shown) == pytest.approx(
            curve[third.index(head.removesuffix(" Hz"))], abs=0.07
        )
    heads, *rows = numbers(page, "tracks")
    late = data.captures[7].latency
    own = next(row for row in rows if row[0] == "t008")
    for point, head, shown in zip(late.track, heads[1:], own[1:], strict=True):
        assert head == f"{point.at_s:.1f} s"
        wanted = (point.samples - late.samples) / 48
        assert number(shown) == pytest.approx(wanted, abs=0.005)
    _, *rows = numbers(page, "front")
    assert rows[1] == ["t002", "left", "0", "0", "0", "45", "0"]
    _, *rows = numbers(page, "map")
    ids, table = data.comparison.ids, data.comparison.distance_db
    db, alike = min((db, ids[k]) for k, db in enumerate(table[1]) if k != 1)
    assert rows[1][:3] == ["t002", alike, f"{db:.2f}"]
    pictures = page.run(
        "return [...document.querySelectorAll('svg.plot')].filter(p => {"
        " const s = p.closest('section, .pair, figure');"
        " return !(p.closest('.pair') || s).querySelector('[data-numbers]')"
        " && !p.closest('.seen')?.querySelector('table')"
        " && !p.closest('section').querySelector('[data-numbers]') }).length"
    )
    assert pictures == 0


def test_differences_stay_within_the_picture_for_any_reference(page, night):
    data = records.record(records.night(16))
    kept = [k for k, c in enumerate(data.captures) if c.curves]
    bright = max(kept, key=lambda k: data.captures[k].metrics["brightness_hz"])
    page.open(night)
    page.run("reampsPage.setReference(arguments[0])", bright)
    rows = [k for k, hz in enumerate(data.axes.smooth_hz) if 40 <= hz <= 16000]
    curves = {k: data.captures[k].curves.smooth_db for k in kept}
    widest = max(abs(curves[k][b] - curves[bright][b]) for k in kept for b in rows)
    reach = next(r for r in (6, 12, 18, 24, 36, 48, 60) if widest <= r)
    ends = page.run(
        "return [...document.querySelectorAll('[data-plot=differences] text')]"
        ".map(t => t.textContent).filter(t => /^[+\u2212]\\d/.test(t))"
    )
    assert [number(end) for end in ends] == [
        step * reach / 3 for step in (-3, -2, -1, 1, 2, 3)
    ]
    # Half of the axis lies between the zero line and its end.
    axis = page.run("return reampsPage.data.differences.y")
    assert axis[3:] == [-reach, reach]
    assert axis[0] + axis[1] * reach == pytest.approx(10, abs=0.1)  # the frame's top


def test_sentences_stand_in_the_table(page, night):
    page.open(night)
    page.run(
        "const c = document.getElementById('columns'); c.value = 'words';"
        "c.dispatchEvent(new Event('change'))"
    )
    cell = "return document.querySelector('td[data-sentence=\"1\"]').innerText"
    assert "dB less at 2.5 to 5 kHz" in page.run(cell)
    page.run("reampsPage.setReference(1)")
    assert page.run(cell) == "The reference."
    close = page.run("return reampsPage.sentence(arguments[0])", 2)
    assert "Hz" in close


def test_the_reference_is_zero_and_the_others_differ_by_their_levels(page, night):
    # Truth by construction: the record's own levels, subtracted here.
    data = records.record(records.night(16))
    page.open(night)
    page.run("document.getElementById('reference').value = '3'")
    page.run("document.getElementById('reference').dispatchEvent(new Event('change'))")
    page.run(
        "const d = document.querySelector('[data-numbers=differences]')"
        ".closest('details'); d.open = true"
    )
    page.until("return document.querySelector('[data-numbers=differences] tbody')")
    rows = page.run(
        "return [...document.querySelectorAll('[data-numbers=differences] tbody tr')]"
        ".map(r => [...r.cells].map(c => c.textContent))"
    )
    table = {name: cells for name, *cells in rows}
    assert set(table["t004"]) == {"0.0"}
    at = data.axes.third_octave_label.index("1000") - 3
    levels = {c.id: c.curves.third_octave_db for c in data.captures if c.curves}
    wanted = levels["t001"][at + 3] - levels["t004"][at + 3]
    shown = float(table["t001"][at].replace("\u2212", "-"))
    assert shown == pytest.approx(wanted, abs=0.1 + 1e-9)  # tenths of a dB, twice


def test_the_sentence_names_what_differs_with_its_hertz(page, night):
    data = records.record(records.night(16))
    page.open(night)
    told = page.run("return reampsPage.sentence(1)")
    first, second = (c.metrics for c in data.captures[:2])
    gap = abs(second["presence_db"] - first["presence_db"])
    assert f"{gap:.1f} dB less at 2.5 to 5 kHz" in told
    assert page.run("return reampsPage.sentence(0)") == "The reference."
    # t004 repeats t001's set-up; the record's floor is 0.35 dB.
    apart = data.comparison.distance_db[0]
    close = [k for k, d in enumerate(apart) if 0 < d <= 0.35]
    for k in close:
        index = [c.id for c in data.captures].index(data.comparison.ids[k])
        said = page.run(f"return reampsPage.sentence({index})")
        assert "not distinguishable" in said
        assert f"{apart[k]:.2f} dB apart from 60 Hz to" in said


def test_sorts_by_keyboard_alone(page, night):
    page.open(night)
    page.run(UNFOLD)
    label = next(m.label for m in METRICS if m.key == "brightness_hz")
    for _ in range(200):
        page.press("Tab")
        if page.run("return document.activeElement.textContent").startswith(label):
            break
    page.press("Enter")
    values = page.run(
        "return [...document.querySelectorAll('#table tbody tr')]"
        ".map(r => r.cells[8].textContent)"
    )
    heads = page.run(
        "return [...document.querySelectorAll('#table thead th')]"
        ".map(h => [h.textContent, h.getAttribute('aria-sort')])"
    )
    assert [h for h, way in heads if way == "descending"] == [f"{label}Hz"]
    known = [number(v) for v in values if v != "\u2013"]
    assert known == sorted(known, reverse=True)
    assert values[-1] == "\u2013"


def test_skip_link_comes_first(page, night):
    page.open(night)
    page.press("Tab")
    assert page.run("return document.activeElement.className") == "skip"
    page.press("Enter")
    assert page.run("return document.activeElement.id") == "main"
    page.open(night)
    page.press("Tab", "Tab", "Enter", "Tab")
    assert page.run("return document.activeElement.id") == "before"


def test_five_hundred_captures_come_in_pages(page, pages):
    page.open(pages["many"])
    count = (
        "return [...document.querySelectorAll('#table tbody tr')]"
        ".filter(r => !r.hidden).length"
    )
    assert page.run(count) == 100
    page.run("document.querySelectorAll('#paging button')[1].click()")
    assert page.run("return document.querySelector('#paging span').textContent") == (
        "101 to 200 of 499"  # two of them cannot be told apart
    )
    assert "90 of" in page.run("return document.getElementById('pictures').innerText")
    page.run("location.hash = '#c400'")
    page.until("return document.querySelector('#c400 [data-sheets]').children.length")
    assert "Cabinet: two by twelve" in page.run(
        "return document.getElementById('c400').innerText"
    )
    assert page.run(
        "return document.querySelectorAll('[data-plot=levels] .over path').length"
    )


@pytest.mark.parametrize("inches", [(8.27, 11.69), (8.5, 11.0)])
def test_prints(page, night, tmp_path, inches):
    page.open(night)
    content = page.pdf(tmp_path / "page.pdf", inches=inches)
    assert content.startswith(b"%PDF")
    assert page.complaints() == []


@pytest.mark.skipif(
    not driver.AXE.exists(),
    reason="axe-core is not installed (npm install in tests/browser)",
)
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["night", "bare", "hostile"])
def test_no_serious_barrier(page, pages, night, name, scheme):
    page.media(prefers_color_scheme=scheme)
    page.open(night if name == "night" else pages[name])
    page.run(
        "for (const d of [...document.querySelectorAll('.each')].slice(0, 3))"
        " d.open = true;"
        "for (const b of document.querySelectorAll('[data-numbers]'))"
        " b.closest('details').open = true"
    )
    page.run("document.getElementById('fold').click()")
    assert page.barriers() == []


def test_moves_nothing_for_those_who_asked_for_rest(page, night):
    page.media(prefers_reduced_motion="reduce")
    page.open(night)
    assert page.run(
        "return getComputedStyle(document.documentElement).scrollBehavior"
    ) == ("auto")
    moving = page.run(
        "return [...document.querySelectorAll('*')].filter(e => {"
        " const s = getComputedStyle(e);"
        " return s.animationName !== 'none' || s.transitionDuration !== '0s' }).length"
    )
    assert moving == 0
