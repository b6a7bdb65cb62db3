"""Listening in a real chromium: what is rendered is compared with the files."""

import math

import numpy as np
import pytest
import records
import session

FADE = 240  # 5 ms at 48 kHz, ITU-R BS.1534-3 s. on switching
STEP = 2.0 / 65536  # half a step of 16-bit PCM and float rounding

RENDER = """
const [first, second, start, at, from, to, seconds] = arguments;
const g = window.reampsGraph, rate = 48000;
const context = new OfflineAudioContext(1, seconds * rate, rate);
Promise.all([first, second].map((key) => g.fetchSound(context, key))).then(([a, b]) => {
  const voices = [a, b].map((buffer) => g.voice(context, buffer, context.destination));
  for (const one of voices) g.begin(context, one, 0, start, [from, to]);
  g.open(voices[0], 0);
  g.exchange(voices[0], voices[1], at / rate);
  return context.startRendering();
}).then((out) => done([...out.getChannelData(0)]), (e) => done(String(e)));
"""


def floats(index):
    return session.tone(index).astype(np.float64) / 32768


def render(page, *values):
    found = page.wait(RENDER, *values, seconds=60)
    assert not isinstance(found, str), found
    return np.array(found)


def test_switches_at_one_position_through_five_milliseconds(page, night):
    # Truth by construction: the files themselves, frame by frame.
    page.open(night)
    at, start = 24000, 7000
    out = render(page, "c0", "c1", start, at, 0, 144000, 1)
    a, b = (floats(k)[start : start + 48000] for k in (0, 1))
    assert np.max(np.abs(out[FADE + 1 : at] - a[FADE + 1 : at])) < STEP
    back = at + 2 * FADE + 1
    assert np.max(np.abs(out[back:] - b[back:])) < STEP
    level = 10 * np.log10(np.mean(out[back:] ** 2) / np.mean(b[back:] ** 2))
    assert abs(level) < 0.1


def test_fades_by_raised_cosines_that_never_overlap(page, night):
    page.open(night)
    at = 24000
    out = render(page, "c0", "c1", 0, at, 0, 144000, 1)
    a, b = floats(0)[:48000], floats(1)[:48000]
    n = np.arange(FADE)
    fall = 0.5 + 0.5 * np.cos(math.pi * n / FADE)
    # 65 points of the curve are joined by straight lines: (pi/64)^2/16 at most.
    slack = 0.25 * (math.pi / 64) ** 2 / 16 + STEP
    assert np.max(np.abs(out[at : at + FADE] - fall * a[at : at + FADE])) < slack
    rise = 1 - fall
    middle = at + FADE
    assert (
        np.max(np.abs(out[middle : middle + FADE] - rise * b[middle : middle + FADE]))
        < slack
    )
    assert abs(out[middle]) < slack


def test_every_form_arrives_without_loss(page, night):
    page.open(night)
    for key, index in (("c2", 2), ("c3", 3), ("c4", 4)):
        out = render(page, key, "c0", 0, 47000, 0, 144000, 1)
        wanted = floats(index)[FADE + 1 : 47000]
        assert np.max(np.abs(out[FADE + 1 : 47000] - wanted)) < STEP


def test_every_sample_survives_its_character(page, night):
    page.open(night)
    found = page.wait(
        "const g = window.reampsGraph;"
        'g.sounds.every = {file: "audio/every.wav", listen: "listen/every.js"};'
        "g.fetchSound(new OfflineAudioContext(1, 1, 48000), 'every').then("
        "(b) => done([...b.getChannelData(0)]), (e) => done(String(e)))",
        seconds=60,
    )
    assert np.array_equal(np.array(found) * 32768, session.every())
    assert page.complaints() == []


def test_a_loop_repeats_to_the_frame(page, night):
    page.open(night)
    start, end = 30000, 60000
    out = render(page, "c0", "c1", start, 90000, start, end, 2)
    a = floats(0)[start:end]
    assert np.max(np.abs(out[30001:60000] - a[1:])) < STEP


def state(page):
    return page.run("return reampsPlayer.state()")


def test_plays_and_keeps_its_position_through_switches(page, night):
    page.open(night)
    page.press("p")
    page.until("return reampsPlayer.state().heard === 'c0'")
    page.run("window.meter = reampsPlayer.tap()")
    loud = (
        "const a = new Float32Array(2048); meter.getFloatTimeDomainData(a);"
        "return Math.sqrt(a.reduce((s, v) => s + v * v, 0) / a.length)"
    )
    # The meter's window, 2048 frames, must hold nothing from before the tap.
    begun = state(page)["position"]
    page.until(f"return reampsPlayer.state().position > {begun} + 9600")
    # Sine of 0.25 at -12 dB of volume: 0.25 / sqrt(2) * 10^(-12/20).
    assert page.run(loud) == pytest.approx(0.0444, rel=0.05)
    page.press("j")
    page.until("return reampsPlayer.state().heard === 'c1'")
    page.press("d")
    page.until("return reampsPlayer.state().heard === 'di'")
    page.press("d")
    page.until("return reampsPlayer.state().heard === 'c1'")
    page.press("p")
    assert state(page)["playing"] is False
    assert page.complaints() == []


def test_switches_as_fast_as_one_can_press(page, night):
    # Fades that touch must not be refused as overlapping by a rounding of the clock.
    page.open(night)
    page.press("p")
    page.until("return reampsPlayer.state().heard === 'c0'")
    page.wait(
        "let left = 120; const turn = () => { if (!left--) { done(1); return; }"
        " if (left % 9 === 0) { reampsPlayer.pause(); reampsPlayer.play(); }"
        " else if (left % 7 === 0) reampsPlayer.loop(left * 400, left * 400 + 24000);"
        " else reampsPlayer.choose(['c0', 'c1', 'c2', 'di'][left % 4]);"
        " setTimeout(turn, 7); }; turn();"
    )
    assert page.complaints() == []
    assert state(page)["plain"] is False
    page.run("reampsPlayer.pause()")


def test_steps_over_captures_without_audio_while_playing(page, night):
    page.open(night)
    page.run("reampsPage.select(9)")
    page.press("p")
    page.until("return reampsPlayer.state().heard === 'c9'")
    page.press("j")  # t011, number 10, was rejected
    page.until("return reampsPlayer.state().heard === 'c11'")
    page.press("p")


def test_loops_half_a_second_at_least(page, night):
    page.open(night)
    page.run("reampsPlayer.loop(48000, 48100)")
    region = state(page)["region"]
    assert region[1] - region[0] == 24000  # 500 ms, ITU-R BS.1534-3
    page.press("o")
    assert state(page)["region"] == [0, 144000]


def test_drag_on_the_waveform_sets_a_loop(page, night):
    page.open(night)
    page.run(
        "const w = document.getElementById('wave'), b = w.getBoundingClientRect();"
        "w.setPointerCapture = () => {};"
        "const e = (t, f) => w.dispatchEvent(new PointerEvent(t, {clientX: b.left +"
        " f * b.width, clientY: b.top + 5, pointerId: 1}));"
        "e('pointerdown', 0.25); e('pointerup', 0.75);"
    )
    low, high = state(page)["region"]
    assert (low, high) == (
        pytest.approx(36000, abs=200),
        pytest.approx(108000, abs=200),
    )


def test_trims_by_ear_stay(page, night):
    page.open(night)
    page.run("localStorage.clear()")
    page.open(night)
    page.run("reampsPage.select(4)")
    page.press("+", "+", "+", "-")
    assert page.run("return reampsPlayer.trims") == {"t005": 0.2}
    page.open(night)
    page.run("reampsPage.select(4)")
    assert page.run("return document.getElementById('trim').textContent") == "+0.2 dB"
    page.run("localStorage.clear()")


def test_half_a_decibel_while_held(page, night):
    page.open(night)
    page.press("p")
    page.until("return reampsPlayer.state().heard === 'c0'")
    gain = "return reampsPlayer.voices.get('c0').trim.gain.value"
    page.do(
        "POST",
        "/actions",
        {
            "actions": [
                {
                    "type": "key",
                    "id": "k",
                    "actions": [{"type": "keyDown", "value": "l"}],
                }
            ]
        },
    )
    page.until(f"return (() => {{ {gain} }})() > 1.058")
    assert page.run(gain) == pytest.approx(10 ** (0.5 / 20), abs=1e-3)
    page.do("DELETE", "/actions")
    page.until(f"return (() => {{ {gain} }})() < 1.001")
    page.press("p")


def test_small_speaker_band(page, night):
    # Butterworth, second order: -3.01 dB at the corner, 12 dB an octave beyond it.
    page.open(night)
    found = page.run(
        "const c = new OfflineAudioContext(1, 1, 48000), f = reampsGraph.band(c);"
        "const hz = Float32Array.of(75, 300, 1300, 6000);"
        "const total = new Float32Array(4).fill(1);"
        "for (const node of [f.input, f.output]) { const m = new Float32Array(4),"
        " p = new Float32Array(4); node.getFrequencyResponse(hz, m, p);"
        " m.forEach((v, k) => { total[k] *= v; }); }"
        "return [...total].map((v) => 20 * Math.log10(v))"
    )
    assert found[0] == pytest.approx(-24.1, abs=0.2)
    assert found[1] == pytest.approx(-3.01, abs=0.1)
    assert found[2] == pytest.approx(0, abs=0.1)
    assert found[3] == pytest.approx(-3.01, abs=0.1)


def test_what_sounds_is_told_where_it_is_not_what_was_selected(page, night):
    told = "return document.getElementById('dock-heard').textContent"
    page.open(night)
    page.press("p")
    page.until("return reampsPlayer.state().heard === 'c0'")
    assert page.run(told) == ""
    page.press("d")
    assert page.run(told) == "You hear the DI."
    assert page.run(
        "const r = document.getElementById('dock-heard').getBoundingClientRect();"
        "return r.height > 0 && r.bottom < innerHeight"
    )
    page.press("s")
    assert page.run(told) == "You hear the DI. Through the small speaker."
    page.press("d")
    assert page.run(told) == "Through the small speaker."
    page.press("s")
    page.press("j")
    assert page.run(told) == ""
    page.press("p")


def test_without_listening_files_it_plays_plainly(page, tmp_path):
    bare = session.write(tmp_path, records.night(12), listen=False)
    page.open(bare)
    page.press("p")
    page.until("return !document.getElementById('voice').paused")
    assert state(page)["plain"] is True
    page.press("j")
    page.until(
        "return document.getElementById('voice').getAttribute('src')"
        ".endsWith('t002.wav')"
    )
    page.press("p")


def test_memory_is_given_back(page, night):
    page.open(night)
    page.run("document.getElementById('folding').click()")
    room = 4
    page.run(f"reampsPlayer.allow({room} * {session.RATE * session.SECONDS} * 4)")
    page.press("p")
    page.until("return reampsPlayer.state().heard === 'c0'")
    for index in (3, 1, 2, 4, 5, 6, 7):  # alike captures stand together
        page.press("j")
        page.until(f"return reampsPlayer.state().heard === 'c{index}'")
    # The neighbours of the last one may still be on their way.
    page.until(f"return reampsPlayer.state().held <= {room}")
    assert state(page)["heard"] == "c7"
    assert page.run("return reampsPlayer.voices.has('c7')")
    assert not page.run("return reampsPlayer.voices.has('c1')")
    page.press("p")
    assert page.complaints() == []


def test_a_blend_is_heard_from_its_row(page, night):
    page.open(night)
    page.run("document.querySelector('#blends [data-hear=b0]').click()")
    page.until("return window.reampsPlayer.state().heard === 'b0'")
    chosen = "return document.getElementById('blend').value"
    assert page.run(chosen) == "b0"
    page.press("d")
    assert page.run("return window.reampsPlayer.state().current") == "di"
    assert not page.run(chosen)
    page.run("window.reampsPlayer.pause()")
