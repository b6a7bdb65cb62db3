"""The written session: readable, complete, repeatable, and true to the trade."""

import itertools
import json
import wave

import numpy as np
import pytest

from pipeline.demo import write
from pipeline.demo.write import write_demo
from pipeline.errors import OutputError
from pipeline.files.manifest import read_plan

RATE_HZ = 48_000


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    return write_demo(tmp_path_factory.mktemp("loft") / "night")


@pytest.fixture(scope="module")
def truth(demo):
    return json.loads(demo.truth.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def sounds(demo):
    """Every capture by id, the DI as "di": decoded by the standard library."""
    plan = read_plan(demo.manifest)
    found = {"di": samples(plan.di_path, 1)}
    for one in plan.captures:
        found[one.id] = samples(one.path, one.written.channel)
    return found


def samples(path, channel):
    with wave.open(str(path), "rb") as file:
        assert file.getframerate() == RATE_HZ
        assert file.getsampwidth() == 3
        raw = np.frombuffer(file.readframes(file.getnframes()), np.uint8)
        octets = raw.reshape(-1, file.getnchannels(), 3)[:, channel - 1]
    wide = np.zeros((len(octets), 4), np.uint8)
    wide[:, 1:] = octets
    return wide.view("<i4")[:, 0] / 2.0**31


def aligned(sounds, truth, name):
    late = round(truth["captures"][name]["latency_samples"])
    frames = len(sounds["di"])
    sound = np.concatenate([np.zeros(max(-late, 0)), sounds[name][max(late, 0) :]])
    return sound[:frames]


def centroid_hz(sound):
    """Power-weighted centroid, 80 Hz to 10 kHz, of the playing."""
    power = np.abs(np.fft.rfft(sound[2 * RATE_HZ : 16 * RATE_HZ])) ** 2
    frequency = np.fft.rfftfreq(14 * RATE_HZ, 1 / RATE_HZ)
    band = (frequency > 80) & (frequency < 10_000)
    return float(np.sum(frequency[band] * power[band]) / np.sum(power[band]))


@pytest.fixture(scope="module")
def brightness(sounds, truth):
    return {
        name: centroid_hz(aligned(sounds, truth, name))
        for name, one in truth["captures"].items()
        if one["latency_samples"] is not None
    }


def test_the_manifest_is_valid_and_names_what_was_written(demo, truth):
    plan = read_plan(demo.manifest)
    assert [one.id for one in plan.captures] == list(truth["captures"])
    assert plan.di_path.is_file()
    assert all(one.path.is_file() for one in plan.captures)
    stereo = [one for one in plan.captures if one.id.startswith("p07-")]
    assert stereo[0].path == stereo[1].path
    assert [one.written.channel for one in stereo] == [1, 2]


def test_the_truth_names_the_wrong_file(demo, truth):
    assert truth["wrong"] == demo.wrong_file_id
    nothing = [
        name
        for name, one in truth["captures"].items()
        if one["latency_samples"] is None
    ]
    assert nothing == [demo.wrong_file_id]


def test_levels_are_sane(sounds):
    # Common practice, no source: DI peaks from -12 to -6 dBFS, nothing clips.
    peaks = {name: 20 * np.log10(np.max(np.abs(s))) for name, s in sounds.items()}
    assert -12.0 < peaks["di"] < -6.0
    assert all(-13.0 < peak < -4.0 for peak in peaks.values())


def test_files_start_at_different_times(sounds, truth):
    lengths = {len(sound) for name, sound in sounds.items() if name != "di"}
    assert len(lengths) >= 4
    starts = {one["start_samples"] for one in truth["captures"].values()}
    assert min(starts) < 0 < max(starts)


def test_music_begins_where_the_truth_says(sounds, truth):
    # Independent of the model: the first sample that stands out of the noise, in
    # the DI and in each capture. A cone and an amp rise within a few milliseconds.
    def onset(sound):
        quiet = sound[: 2 * RATE_HZ - 4800][-RATE_HZ // 2 :]
        start = np.argmax(np.abs(sound) > 20 * np.std(quiet))
        return int(start)

    first = onset(sounds["di"])
    for name, one in truth["captures"].items():
        if one["latency_samples"] is None:
            continue
        late = one["latency_samples"]
        expected = onset(aligned(sounds, truth, name))
        assert expected == pytest.approx(first, abs=150), name
        assert late == pytest.approx(one["start_samples"] + 1187, abs=600), name


def test_cap_centre_is_brighter_than_its_edge_and_the_edge_than_the_cone(brightness):
    # Common practice, no source.
    centre, edge, cone, rim = (
        brightness[name]
        for name in (
            "p01-dynamic-centre",
            "p02-dynamic-edge",
            "p03-dynamic-cone",
            "p04-dynamic-rim",
        )
    )
    assert centre > 1.05 * edge > 1.05 * 1.02 * cone
    assert rim < edge


def test_on_axis_is_brighter_than_45_degrees(brightness):
    # Common practice, no source.
    assert brightness["p08-dynamic-edge"] > 1.03 * brightness["p09-dynamic-angled"]


def test_a_ribbon_is_darker_than_a_dynamic_in_the_same_file(brightness):
    # Common practice, no source.
    assert brightness["p07-dark"] < 0.8 * brightness["p07-dynamic"]


def test_high_gain_holds_its_level(sounds, truth):
    # Common practice, no source: the more gain, the smaller the crest factor.
    def crest_db(name):
        music = aligned(sounds, truth, name)[2 * RATE_HZ : 16 * RATE_HZ]
        return 20 * np.log10(np.max(np.abs(music)) / np.std(music))

    assert crest_db("p08-dynamic-edge") < crest_db("p02-dynamic-edge") - 3.0


def test_control_captures_differ_less_than_any_two_places(sounds, truth):
    # Truth by construction: only hiss, gain and a trace of warm-up differ.
    def spectrum_db(name):
        music = aligned(sounds, truth, name)[2 * RATE_HZ : 16 * RATE_HZ]
        power = np.abs(np.fft.rfft(music)) ** 2
        frequency = np.fft.rfftfreq(len(music), 1 / RATE_HZ)
        edges = 100.0 * 2 ** (np.arange(19) / 3)
        bands = [
            np.sum(power[(frequency >= low) & (frequency < high)])
            for low, high in itertools.pairwise(edges)
        ]
        level = 10 * np.log10(bands)
        return level - np.mean(level)

    control = np.std(
        spectrum_db("p01-dynamic-centre") - spectrum_db("p15-dynamic-centre")
    )
    moved = np.std(spectrum_db("p01-dynamic-centre") - spectrum_db("p02-dynamic-edge"))
    assert control < 0.2
    assert moved > 5 * control


def test_the_band_plays_along_with_the_phrase(demo):
    # Truth by construction: bass and drums start where strings are plucked, 1.5 s
    # later in the track, after a count of four; the sides differ.
    plan = read_plan(demo.manifest)
    context = plan.manifest.context
    with wave.open(str(demo.manifest.parent / context.file), "rb") as file:
        rate, channels = file.getframerate(), file.getnchannels()
        octets = np.frombuffer(file.readframes(file.getnframes()), np.uint8)
    wide = np.zeros((len(octets) // 3, 4), np.uint8)
    wide[:, 1:] = octets.reshape(-1, 3)
    track = (wide.view("<i4")[:, 0] / 2.0**31).reshape(-1, channels)
    assert (rate, channels) == (44_100, 2)
    assert 20 * np.log10(np.max(np.abs(track))) == pytest.approx(-3.0, abs=0.01)
    first = round((context.offset_s + 2.0) * rate)
    before, after = (track[first + k : first + k + 2205].std() for k in (-2205, 0))
    assert after > 20 * before
    assert np.argmax(np.abs(track).max(axis=1) > 1e-3) > 2 * rate
    assert np.std(track[:, 0] - track[:, 1]) > 0.05 * np.std(track)


def test_the_wrong_file_is_another_performance(sounds, demo):
    # Truth by construction: no lag makes its envelope follow the DI's as the right
    # files' envelopes do.
    def envelope(sound):
        blocks = sound[: len(sound) // 480 * 480].reshape(-1, 480)
        level = np.sqrt(np.mean(blocks**2, axis=1))
        return level - np.mean(level)

    def best(name):
        a, b = envelope(sounds["di"]), envelope(sounds[name])
        size = 4096
        cross = np.fft.irfft(np.fft.rfft(b, size) * np.conj(np.fft.rfft(a, size)))
        return np.max(cross) / np.sqrt(np.sum(a**2) * np.sum(b**2))

    assert best(demo.wrong_file_id) < best("p02-dynamic-edge") - 0.2


def test_equal_bytes_every_time_and_progress_is_told(tmp_path, monkeypatch, demo):
    # The first two passes stand for all: they are the same when written once more.
    monkeypatch.setattr(write, "PASSES", write.PASSES[:2])
    seen = []
    write_demo(tmp_path / "night", lambda done, of: seen.append((done, of)))
    again = sorted((tmp_path / "night" / "audio").iterdir())
    assert len(again) == 4
    for path in again:
        first = demo.manifest.parent / "audio" / path.name
        assert path.read_bytes() == first.read_bytes()
    assert seen == [(1, 2), (2, 2)]


def test_writing_again_into_the_same_folder_is_welcome(tmp_path, monkeypatch):
    monkeypatch.setattr(write, "PASSES", ())
    assert write_demo(tmp_path / "night") == write_demo(tmp_path / "night")


def test_a_folder_in_use_is_left_alone(tmp_path):
    (tmp_path / "take.wav").write_bytes(b"mine")
    with pytest.raises(OutputError, match="empty folder"):
        write_demo(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["take.wav"]


def test_a_file_in_the_way_is_an_error_that_says_what_to_do(tmp_path):
    (tmp_path / "night").write_bytes(b"mine")
    with pytest.raises(OutputError, match="Name a new"):
        write_demo(tmp_path / "night")
