"""The page in a real chromium, opened from disk, on a phone's screen."""

import base64
import io
import math

import client_night
import driver
import numpy as np
import pytest
import soundfile

from pipeline.client.merge import merge_picks
from pipeline.client.seal import seal
from pipeline.files.picks import read_picks

IDS, RATE = client_night.IDS, client_night.RATE
NOW = "2031-05-18T10:00:00Z"
HOSTILE = (
    '</script><img src=x onerror="window.harmed=1"><script>window.harmed=1</script>'
)
FADE = 240  # 5 ms at 48 kHz, ITU-R BS.1534-3 on switching
VISIBLE = "!e.closest('[hidden]') && e.getClientRects().length"
RENDER = """
const [at, from, to, seconds] = arguments, g = reampsSound.graph, d = reampsSound.data;
const context = new OfflineAudioContext(1, seconds * d.rate, d.rate);
const two = d.options.slice(0, 2).map((o) => g.fetchSound(context, o));
Promise.all(two).then(([a, b]) => {
  const voices = [a, b].map((buffer) => g.voice(context, buffer, context.destination));
  for (const one of voices) g.begin(context, one, 0, from, [from, to]);
  g.open(voices[0], 0);
  g.exchange(voices[0], voices[1], at / d.rate);
  return context.startRendering();
}).then((out) => done([...out.getChannelData(0)]), (e) => done(String(e)));
"""


@pytest.fixture(params=[False, True], ids=["one file", "folder"])
def opened(request, make, tmp_path, phone):
    out = tmp_path / ("new" if request.param else "page.html")
    made = make(out, folder=request.param)
    phone.open(made.page)
    phone.run("localStorage.clear()")
    phone.open(made.page)
    phone.page = made.page
    return phone


def audio(page, key):
    text = page.read_text(encoding="utf-8")
    script = page.parent / "listen" / f"{key}.js"
    mark = f'id="sound-{key}">'
    if script.exists():
        text, mark = script.read_text(encoding="utf-8"), '"data":"'
    data = text.split(mark, 1)[1].split('"' if script.exists() else "<", 1)[0]
    return soundfile.read(io.BytesIO(base64.b64decode(data)))[0]


def test_switches_at_one_position_through_five_milliseconds(opened):
    # Truth by construction: the files themselves, frame by frame. The curve of 65
    # points is joined by straight lines, which costs (pi/64)^2/16 of the level.
    start, at = 5 * RATE, RATE // 2
    out = np.array(opened.wait(RENDER, at, start, 8 * RATE, 1, seconds=60))
    a, b = (audio(opened.page, k)[start : start + RATE] for k in (1, 2))
    slack = 0.5 * (math.pi / 64) ** 2 / 16 + 1 / 32768
    n = np.arange(FADE)
    fall = 0.5 + 0.5 * np.cos(math.pi * n / FADE)
    assert np.max(np.abs(out[FADE + 1 : at] - a[FADE + 1 : at])) < 1 / 32768
    assert np.max(np.abs(out[at : at + FADE] - fall * a[at : at + FADE])) < slack
    into = slice(at + FADE, at + 2 * FADE)
    assert np.max(np.abs(out[into] - (1 - fall) * b[into])) < slack
    rest = slice(at + 2 * FADE + 1, RATE)
    assert np.max(np.abs(out[rest] - b[rest])) < 1 / 32768


def test_plays_switches_and_loops(opened):
    wait = "setTimeout(() => done(reampsSound.state()), 250)"
    first = opened.wait(f"reampsClient.hear('1').then(() => {wait})")
    assert first["playing"]
    assert first["heard"] == "1"
    second = opened.wait(f"reampsClient.hear('2').then(() => {wait})")
    assert second["heard"] == "2"
    # One position: it went on, and did not start again.
    assert second["position"] > first["position"] > 0
    level = opened.wait(
        "const m = reampsSound.tap(); m.fftSize = 8192; reampsSound.move(5 * 48000);"
        "setTimeout(() => { const x = new Float32Array(8192);"
        " m.getFloatTimeDomainData(x); done(Math.max(...x.map(Math.abs))) }, 500)"
    )
    assert level > 0.01
    looped = opened.wait(f"reampsSound.loop(48000, 48100); {wait}")
    assert looped["region"] == [48000, 72000]  # half a second at least, BS.1534-3
    assert 48000 <= looped["position"] < 72000
    assert opened.complaints() == []
    asked = [
        url for url in opened.requests() if not url.startswith(("chrome:", "data:"))
    ]
    assert asked
    assert all(url.startswith("file://") for url in asked)


def test_fades_that_touch_never_overlap(opened):
    # Web Audio refuses curves of value that overlap, were it by a rounding of the
    # clock: four switches in a row, each begun where the one before ends.
    refused = opened.run(
        "const g = reampsSound.graph, c = new OfflineAudioContext(1, 48000, 48000);"
        "const empty = c.createBuffer(1, 48, 48000); let refused = 0;"
        "for (let k = 1; k <= 500; k += 1) { let at = k * 0.0137;"
        " const [a, b] = [0, 1].map(() => g.voice(c, empty, c.destination));"
        " try { for (let turn = 0; turn < 4; turn += 1)"
        " at = turn % 2 ? g.exchange(b, a, at) : g.exchange(a, b, at); }"
        " catch { refused += 1; } } return refused"
    )
    assert refused == 0


def test_switches_as_fast_as_one_can_press(opened):
    wrong = opened.wait(
        "const s = reampsSound, c = reampsClient, wrong = []; let left = 100;"
        "const turn = () => { if (!left--) { s.pause(); done(wrong); return; }"
        " try { if (left % 9 === 0) { s.pause(); c.hear('1'); }"
        " else if (left % 7 === 0) s.loop(left * 400, left * 400 + 24000);"
        " else c.hear('123'[left % 3]); } catch (error) { wrong.push(String(error)); }"
        " if (document.getElementById('now').textContent.includes('cannot'))"
        " wrong.push('cannot play'); setTimeout(turn, 7); };"
        "c.hear('1').then(turn)"
    )
    assert wrong == []
    assert opened.complaints() == []


def test_picks_come_home(opened, night):
    opened.run(
        "const c = reampsClient; c.choose('3'); c.choose('1');"
        "document.getElementById('by').value = ' Ash \\ud800';"
        "reampsSound.move(48000 * 1.5);"
        "const b = document.getElementById('comment');"
        "b.value = arguments[0]; document.getElementById('add').click()",
        'more bite \u2028 \u00e9\u97f3 \U0001f3b8 \x7f\x1f "here" <b>',
    )
    saved = opened.wait(
        "URL.createObjectURL = (blob) => { blob.text().then(done); return 'blob:x' };"
        "HTMLAnchorElement.prototype.click = () => {};"
        "document.getElementById('save').click()"
    )
    opened.run("document.getElementById('copy').focus()")
    opened.press("Enter")  # by hand: a browser copies for nothing less
    opened.until("return document.getElementById('sent').innerText.startsWith('Cop')")
    text = opened.run("return document.getElementById('text').value")
    assert "0:01" in text
    assert "Copied" in opened.run("return document.getElementById('sent').innerText")
    assert merge_picks(night, saved.encode(), source="file", now=NOW).new
    merge_picks(night, text.encode(), source="message", now=NOW)
    pick = read_picks(night).picks[0]
    assert [one.id for one in pick.order] == [IDS[2], IDS[0]]
    assert pick.by == "Ash \ufffd"
    assert pick.comments[0].at_s == pytest.approx(1.5)
    assert pick.comments[0].text == 'more bite \u00e9\u97f3 \U0001f3b8 "here" <b>'


@pytest.mark.parametrize("text", ["", "abc", "x" * 55, "x" * 64, "\u97f3" * 999])
def test_the_page_s_seal_is_hmac_sha_256(opened, text):
    # Authority: Python's hmac and hashlib, checked against RFC 4231 in test_merge.
    key = "0f" * 32
    assert opened.run("return reampsClient.seal(...arguments)", text, key) == seal(
        text, key
    )


def test_blind_hides_everything_that_tells(opened):
    opened.run("document.getElementById('blind').click()")
    seen = opened.run("return document.body.innerText")
    names = [option["name"] for option in opened.run("return reampsSound.data.options")]
    assert not any(name in seen for name in names)
    assert "kHz" not in seen
    labels = opened.run(
        "return [...document.querySelectorAll('.option h3')].map(e => e.textContent)"
    )
    assert labels == ["Sound A", "Sound B", "Sound C"]
    hidden = opened.run(
        "return [...document.querySelectorAll('[aria-label]')]"
        ".map(e => e.getAttribute('aria-label')).join()"
    )
    assert not any(name in hidden for name in names)
    key = opened.run(
        "const c = document.querySelector('.option');"
        "c.querySelector('.choose').click(); return c.dataset.key"
    )
    opened.run("document.getElementById('blind').click()")
    found = opened.run("return reampsClient.answer()")
    assert found["order"] == [key]
    assert found["blind"] is True


def test_text_of_others_stays_text(make, tmp_path, phone):
    made = make(
        tmp_path / "page.html",
        title=HOSTILE[:80],
        names={IDS[0]: HOSTILE[:80], IDS[1]: "{{ 7 * 7 }}", IDS[2]: "`${1}`"},
        notes={IDS[0]: HOSTILE},
        recommend=IDS[0],
    )
    phone.open(made.page)
    phone.run(
        "document.getElementById('by').value = document.getElementById('comment').value"
        " = arguments[0]; document.getElementById('add').click();"
        "reampsClient.choose('1'); document.getElementById('copy').click()",
        HOSTILE,
    )
    phone.open(made.page)  # again, with what the browser kept
    assert phone.run("return document.querySelectorAll('.comments li').length") == 1
    phone.run(
        "localStorage.setItem('reamps-answer-' + reampsSound.data.shortlist,"
        ' \'{"order":["9",{}],"comments":[{"option":"1","at_ms":0,"text":5}]}\')'
    )
    phone.open(made.page)
    assert phone.run("return window.harmed === undefined")
    assert phone.run("return document.images.length") == 0
    assert HOSTILE[:80] in phone.run("return document.body.innerText")
    assert phone.complaints() == []
    phone.run("localStorage.clear()")


def test_fits_a_finger_and_a_phone(opened):
    opened.run(
        "reampsClient.choose('1'); document.getElementById('more').click();"
        "document.getElementById('comment').value = 'x';"
        "document.getElementById('add').click();"
        "document.getElementById('copy').click()"
    )
    small = opened.run(
        "return [...document.querySelectorAll('button,input,textarea,[role=slider]')]"
        f".filter(e => {VISIBLE}).map(e => [e.id || e.className,"
        " e.getBoundingClientRect()]).filter(([, r]) => r.width < 44 || r.height < 44)"
        ".map(([n]) => n)"
    )
    assert small == []  # 44 CSS px, WCAG 2.2 success criterion 2.5.5
    assert opened.run("return document.documentElement.scrollWidth") <= 390
    assert "silent switch" in opened.run("return document.body.innerText")


def test_everything_with_the_keyboard(opened):
    opened.press("Tab")
    assert opened.run("return document.activeElement.className") == "skip"
    reached = []
    for _ in range(24):
        opened.press("Tab")
        reached.append(
            opened.run(
                "const e = document.activeElement;"
                "return e.id || e.className + e.closest('.option')?.dataset.key"
            )
        )
    wanted = ["blind", "hear1", "choose1", "hear2", "choose2", "hear3", "choose3"]
    wanted += ["comment", "add", "by", "save", "copy", "play", "more", "wave"]
    assert [name for name in reached if name in wanted][: len(wanted)] == wanted
    opened.run("document.querySelector('[data-key=\"2\"] .choose').focus()")
    opened.press("Enter")
    assert opened.run("return reampsClient.answer().order") == ["2"]
    opened.run("document.getElementById('wave').focus()")
    opened.press("\ue014", "\ue014")  # right arrow
    assert opened.run("return reampsSound.state().position") == 2 * RATE
    opened.press("3")
    opened.until("return reampsSound.state().playing")
    assert opened.run("return reampsSound.state().heard") == "3"
    opened.press("p")
    assert not opened.run("return reampsSound.state().playing")


def test_starts_with_the_recommendation(opened):
    key = opened.run(
        "return document.querySelector('.advice').closest('.option').dataset.key"
    )
    opened.press("p")
    opened.until("return reampsSound.state().playing")
    assert opened.run("return reampsSound.state().heard") == key
    opened.press("p")


def test_says_where_one_looks_what_is_missing(opened):
    opened.run("document.getElementById('save').click()")
    told = "return document.getElementById('sent').innerText"
    assert opened.run(told) == "Choose a sound or write a comment first."
    opened.run("document.getElementById('add').click()")
    assert opened.run("return document.getElementById('noted').innerText") == (
        "Write something first."
    )
    opened.run("reampsClient.choose('1')")
    assert opened.run(told) == ""


def test_nothing_needs_a_hover(opened):
    found = opened.run(
        "const rules = [...document.styleSheets].flatMap(s => [...s.cssRules]);"
        "return [document.querySelectorAll('[title]').length,"
        " rules.filter(r => (r.selectorText || '').includes(':hover'))"
        ".flatMap(r => [...r.style])]"
    )
    assert found[0] == 0
    assert all(name.startswith("border") and "color" in name for name in found[1])


def test_prints_what_is_to_be_read(opened, tmp_path):
    opened.run("reampsClient.choose('1')")
    assert opened.pdf(tmp_path / "page.pdf").startswith(b"%PDF")


def test_without_audio_it_says_so(make, tmp_path, phone):
    made = make(tmp_path / "new", folder=True)
    (made.page.parent / "listen" / "2.js").unlink()
    phone.open(made.page)
    phone.wait("reampsClient.hear('2').then(done)")
    assert "cannot play" in phone.run("return document.getElementById('now').innerText")
    phone.complaints()  # the browser itself reports the missing file


@pytest.mark.skipif(
    not driver.AXE.exists(),
    reason="axe-core is not installed (npm install in tests/browser)",
)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_barrier(opened, scheme):
    opened.media(prefers_color_scheme=scheme)
    opened.run(
        "reampsClient.choose('1'); document.getElementById('more').click();"
        "document.getElementById('copy').click()"
    )
    assert opened.barriers() == []
