"""The backing track in a real chromium: in time, at its level, never restarted."""

import numpy as np
import pytest
import session

STEP = 2.0 / 65536  # half a step of 16-bit PCM and float rounding
FADE = 240  # 5 ms at 48 kHz
VOLUME = 10 ** (-12 / 20)  # where the page's control stands at first
TAPPED = 32768

RENDER = """
const [start, at, from, to, frames, folded] = arguments;
const g = window.reampsGraph, rate = 48000;
const context = new OfflineAudioContext(2, frames, rate);
Promise.all(["c0", "track"].map((key) => g.fetchSound(context, key))).then((found) => {
  const bus = context.createGain();
  bus.connect(context.destination);
  g.fold(bus, folded);
  const voices = found.map((buffer) => g.voice(context, buffer, bus));
  for (const one of voices) g.begin(context, one, 0, start, [from, to]);
  g.open(voices[0], 0);
  g.open(voices[1], at / rate);
  return context.startRendering();
}).then((out) => done([0, 1].map((k) => [...out.getChannelData(k)])),
  (e) => done(String(e)));
"""


def floats(samples):
    return samples.astype(np.float64) / 32768


def render(page, *values):
    found = page.wait(RENDER, *values, seconds=60)
    assert not isinstance(found, str), found
    return np.array(found).T


@pytest.mark.parametrize("folded", [False, True])
def test_joins_at_the_frame_where_the_capture_is(page, night, folded):
    # Truth by construction: the files, frame by frame, over the end of a loop.
    page.open(night)
    start, at, region, frames = 30_000, 6_000, (25_000, 50_000), 24_000
    out = render(page, start, at, *region, frames, folded)
    played = start + np.arange(frames)
    played = np.where(played < region[1], played, played - (region[1] - region[0]))
    capture = floats(session.tone(0))[played, None]
    track = floats(session.band())[played]
    if folded:
        # Half of left and right each: Web Audio API, "up-mixing and down-mixing".
        track = np.repeat(track.mean(axis=1, keepdims=True), 2, axis=1)
    alone = slice(FADE + 1, at)
    assert np.max(np.abs(out[alone] - capture[alone])) < STEP
    both = slice(at + FADE + 1, None)
    assert np.max(np.abs(out[both] - (capture + track)[both])) < STEP


HEAR = """
const a = new Float32Array(32768); meter.getFloatTimeDomainData(a); return [...a];
"""


def heard(page):
    """The newest 32768 frames that came out, after a stretch without a switch."""
    begun = page.run("return reampsPlayer.state().position")
    page.until(
        f"const d = reampsPlayer.state().position - {begun};"
        f"return (d + 144000) % 144000 > {TAPPED + 4800}"
    )
    return np.array(page.run(HEAR))


def place(sound, track):
    """Where in the track a stretch lies: the peak of their cross-correlation."""
    size = 1 << 18
    cross = np.fft.irfft(
        np.conj(np.fft.rfft(sound, size)) * np.fft.rfft(track, size), size
    )
    return int(np.argmax(cross[: len(track)]))


def test_plays_along_in_time_without_a_restart(page, night):
    page.open(night)
    page.run("localStorage.clear()")
    page.press("p")
    page.until("return reampsPlayer.state().heard === 'c0'")
    page.run("window.meter = reampsPlayer.tap(); meter.fftSize = 32768")
    page.run("window.origin = [reampsPlayer.voices.get('c0').source]")
    page.press("t")
    page.until("return reampsTrack.state().open")
    # A meter folds two channels to one, half each; the song repeats every 3 s.
    track = np.tile(floats(session.band()).mean(axis=1), 2)
    tone = np.tile(floats(session.tone(0)), 2)
    sound = heard(page)
    at = place(sound, track)
    stretch = slice(at, at + TAPPED)
    wraps = at + np.arange(TAPPED)
    calm = np.abs((wraps + 72_000) % 144_000 - 72_000) > FADE + 1
    wanted = VOLUME * (tone + track)[stretch]
    assert np.max(np.abs(sound - wanted)[calm]) < 2 * STEP
    level = 10 * np.log10(np.mean(sound[calm] ** 2) / np.mean(wanted[calm] ** 2))
    assert abs(level) < 0.1
    # The same source still plays: nothing was started anew for the track.
    assert page.run("return reampsPlayer.voices.get('c0').source === origin[0]")
    page.run("document.getElementById('track-level').value = -6")
    page.run("document.getElementById('track-level').dispatchEvent(new Event('input'))")
    sound = heard(page)
    at = place(sound, track)
    stretch = slice(at, at + TAPPED)
    rest = sound / VOLUME - tone[stretch]
    found = np.vdot(rest, track[stretch]) / np.vdot(track[stretch], track[stretch])
    assert 20 * np.log10(found) == pytest.approx(-6.0, abs=0.1)
    page.press("j", "t", "t", "t")
    page.until("return reampsPlayer.state().heard === 'c1'")
    page.until("return !reampsTrack.state().open")
    sound = heard(page)
    assert np.max(np.abs(sound)) < VOLUME * 0.2501  # a sine of 0.25 alone
    page.press("p")
    page.run("localStorage.clear()")
    assert page.complaints() == []


def test_survives_every_hand(page, night):
    # Fades that touch must not be refused as overlapping by a rounding of the clock.
    page.open(night)
    page.press("t", "p")
    page.until("return reampsTrack.state().open")
    page.wait(
        "let left = 90; const turn = () => { if (!left--) { done(1); return; }"
        " if (left % 9 === 0) { reampsPlayer.pause(); reampsPlayer.play(); }"
        " else if (left % 7 === 0) reampsPlayer.loop(left * 400, left * 400 + 24000);"
        " else if (left % 2) reampsPage.actions.t();"
        " else reampsPlayer.choose(['c0', 'c1', 'c2', 'di'][left % 4]);"
        " setTimeout(turn, 7); }; turn();"
    )
    page.press("m", "s", "p")
    assert page.run("return reampsTrack.state().folded")
    assert page.run("return document.getElementById('mono').ariaPressed") == "true"
    assert page.complaints() == []


def test_a_lost_copy_is_told(page, tmp_path):
    import records

    bare = session.write(tmp_path, records.night(12))
    (tmp_path / "listen/Backing track.js").unlink()
    page.open(bare)
    page.press("p", "t")
    page.until("return document.getElementById('said').textContent.includes('loaded')")
    assert page.run("return document.getElementById('track').ariaPressed") == "false"
    page.until("return reampsPlayer.state().heard === 'c0'")
    page.press("p")
