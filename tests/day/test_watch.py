"""Watching a folder: completeness, verdicts, changes, the list at the end."""

import os
import re
from pathlib import Path
from threading import Event

import numpy as np
import pytest
import soundfile

from pipeline.day.screen import again_text, pass_text
from pipeline.day.watch import Landing, Vigil, Watched, to_record_again, watch
from tests.day.folders import RATE, Recorder, amp, late, speaker


def write_di(recorder: Recorder) -> Path:
    di = recorder.folder / "di.wav"
    soundfile.write(di, recorder.dry, RATE, subtype="PCM_24")
    return di


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> tuple[Watched, list[str]]:
    """One pass a minute: sound, later and flipped, clipped, another song."""
    folder = tmp_path_factory.mktemp("evening")
    recorder = Recorder(folder, stamped=False)
    vigil_di = write_di(recorder)
    takes = {}
    takes["Dyn_01.wav"] = recorder.heard(4.0)[0]
    takes["Dyn_02.wav"] = -0.5 * recorder.heard(4.0, 764)[0]
    loud = recorder.heard(4.0)[0]
    takes["Dyn_03.wav"] = np.clip(loud, -0.4 * loud.max(), 0.4 * loud.max())
    takes["Room_04.wav"] = np.random.default_rng(1).normal(size=9 * RATE) * 0.1
    screens: list[str] = []
    names = iter(takes)

    def say(text: str) -> None:
        """Write the next take as soon as the last was judged."""
        screens.append(text)
        name = next(names, None)
        if name:
            recorder.save(name, takes[name])

    # Clipped tops must survive: no noise on the recorder of this evening.
    recorder.rng = np.random.default_rng(5)
    real_save = recorder.save

    def save(name: str, data: np.ndarray, rate: int = RATE) -> Path:
        if name == "Dyn_03.wav":
            soundfile.write(folder / name, data, rate, subtype="PCM_24")
            return folder / name
        return real_save(name, data, rate)

    recorder.save = save  # type: ignore[method-assign]
    result = watch(Vigil(folder, vigil_di, most_passes=4), say, Event())
    return result, screens


def test_every_pass_gets_its_true_verdict(
    evening: tuple[Watched, list[str]],
) -> None:
    # Truth by construction.
    watched, _ = evening
    assert [[h.usable for h in one] for one in watched.passes] == [
        ["yes"],
        ["yes"],
        ["doubtful"],
        ["no"],
    ]


def test_what_changed_is_said(evening: tuple[Watched, list[str]]) -> None:
    # 764 - 700 = 64 samples are two buffers of 32; 0.5 is 6.0 dB; the sign is -1.
    screen = evening[1][2]
    assert "6.0 dB softer" in screen
    assert "64 samples later (2 x 32: the buffer changed?)" in screen
    assert "POLARITY FLIPPED" in screen


def test_the_screen_says_finding_evidence_and_fix(
    evening: tuple[Watched, list[str]],
) -> None:
    screen = evening[1][3]
    assert "LISTEN FIRST" in screen
    assert "Clipped on the way in: " in screen
    assert "flat tops" in screen
    assert "->" in screen
    assert len(screen.splitlines()) <= 24
    assert max(map(len, screen.splitlines())) <= 78


def test_the_end_lists_what_to_record_again(
    evening: tuple[Watched, list[str]],
) -> None:
    watched, screens = evening
    assert [one.path.name for one in watched.again] == ["Dyn_03.wav", "Room_04.wav"]
    assert "Before you tear down" in screens[-1]
    assert "Room_04.wav: Not a recording of this DI" in screens[-1]


def test_a_good_take_takes_an_earlier_bad_one_off_the_list(
    evening: tuple[Watched, list[str]],
) -> None:
    good, _, clipped, _ = evening[0].passes
    assert to_record_again([clipped, good]) == ()
    assert to_record_again([good, clipped]) == clipped
    assert again_text((), [good]) == "1 pass: nothing has to be recorded again."


def test_an_unchanged_pass_says_so(evening: tuple[Watched, list[str]]) -> None:
    first = evening[0].passes[0]
    assert "as in the pass before" in pass_text(first, [first], number=2)


def test_a_pass_is_held_against_the_last_one_that_was_good(
    evening: tuple[Watched, list[str]],
) -> None:
    # The wrong take in between says nothing of level, lag or polarity.
    good, flipped, _, wrong = evening[0].passes
    told = pass_text(flipped, [good, wrong], number=3)
    assert "against pass 1:" in told
    assert "POLARITY FLIPPED" in told
    assert "as in pass 1" in pass_text(good, [good, wrong, wrong], number=4)
    assert "pass before" not in pass_text(wrong, [good, good], number=3)
    assert "as in" not in pass_text(good, [wrong], number=2)


def test_a_growing_file_and_its_sisters_are_waited_for(tmp_path: Path) -> None:
    # A recorder that writes: size grows, and two files of one pass end together.
    landing = Landing(tmp_path, set())
    one, two = tmp_path / "a.wav", tmp_path / "b.wav"
    for path in (one, two):
        soundfile.write(path, np.zeros(RATE), RATE)
        os.utime(path, (1e9, 1e9))
    assert landing.landed(0.0) == []
    with two.open("ab") as handle:
        handle.write(b"\0\0" * 100)
    os.utime(two, (1e9 + 0.5, 1e9 + 0.5))
    assert landing.landed(1.2) == []
    assert landing.landed(2.3) == [one, two]
    assert landing.landed(9.0) == []


def test_a_header_that_promises_more_is_given_time(tmp_path: Path) -> None:
    landing = Landing(tmp_path, set())
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros(RATE), RATE)
    path.write_bytes(path.read_bytes()[: RATE // 2])
    assert landing.landed(0.0) == []
    assert landing.landed(2.0) == []
    assert landing.landed(5.5) == [path]


def test_a_play_out_capture_shows_its_own_latency_and_its_markers(
    tmp_path: Path,
) -> None:
    from pipeline.day.playout import PlayoutWish, write_playout

    recorder = Recorder(tmp_path / "n", stamped=False)
    di = write_di(recorder)
    out = recorder.folder / "out.wav"
    write_playout(PlayoutWish(di, out, sweep=False))
    played, _ = soundfile.read(out)
    recorder.save("take.wav", late(speaker(amp(played, 2.0), 5000.0), 612, 4000))
    said: list[str] = []
    watch(
        Vigil(recorder.folder, di, everything=True, most_passes=1), said.append, Event()
    )
    screen = said[1]
    assert "take.wav" in screen
    assert "out.wav" not in screen
    # 612 samples by construction, and not what was played ahead of the DI.
    assert re.search(r"lag 61[1-4]\.\d", screen)
    assert re.search(r"markers within [0-2]\.\d samples", screen)


def test_it_stops_when_told(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "n")
    di = write_di(recorder)
    stop = Event()
    stop.set()
    said: list[str] = []
    watched = watch(Vigil(recorder.folder, di), said.append, stop)
    assert watched.passes == ()
    assert said[-1] == "Nothing landed."


def test_a_dead_second_channel_is_an_unused_input(tmp_path: Path) -> None:
    from pipeline.day.verdict import VerdictTask, judge_file
    from pipeline.stages.di import inspect_di

    recorder = Recorder(tmp_path / "n")
    di = write_di(recorder)
    x = late(speaker(recorder.dry, 4000.0), 500, 4000)
    path = recorder.folder / "x.wav"
    soundfile.write(path, np.stack([x, 0 * x], axis=1), RATE, subtype="PCM_24")
    heard = judge_file(VerdictTask(inspect_di(di, 1), path))
    assert [one.channel for one in heard] == [1]
