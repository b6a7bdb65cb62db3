"""Blends of a night: any number of microphones, wanted tones, and what goes wrong.

Truth by construction: three microphones of one pass whose colours and delays are
known, and sums computed from the files that the run wrote.
"""

import json

import numpy as np
import pytest
import soundfile
from scipy import signal

from pipeline.run.service import Options, explain, run_check, run_manifests
from tests.run.sessions import RATE, late, plucks, rig

QUIET = Options(jobs=1, quiet=True)
LATE = {"near": 0, "dark": 9, "room": 150}
MANIFEST = """
format = 1
[session]
name = "Three at once"
[di]
file = "audio/di.wav"
[compare]
blends = "none"
[[capture]]
id = "near"
file = "audio/p01.wav"
channel = 1
pass = "p01"
[[capture]]
id = "dark"
file = "audio/p01.wav"
channel = 2
pass = "p01"
[[capture]]
id = "room"
file = "audio/p01.wav"
channel = 3
pass = "p01"
[[capture]]
id = "wanted"
file = "audio/p02.wav"
[[capture]]
id = "broken"
file = "audio/not-there.wav"
[[blend]]
id = "all three"
parts = [
  { capture = "near" },
  { capture = "dark", gain_db = -2.0 },
  { capture = "room", gain_db = -6.0, flip = true },
]
[[blend]]
id = "all three, aligned"
align = true
parts = [
  { capture = "near" },
  { capture = "dark", gain_db = -2.0 },
  { capture = "room", gain_db = -6.0, flip = true },
]
[[blend]]
id = "like wanted"
align = true
nearest = { capture = "wanted" }
parts = [{ capture = "near" }, { capture = "dark" }]
[[blend]]
id = "like liked"
align = true
nearest = { file = "audio/liked.wav" }
parts = [{ capture = "near" }, { capture = "dark" }]
[[blend]]
id = "across"
align = true
parts = [{ capture = "near" }, { capture = "wanted" }]
[[blend]]
id = "of a broken one"
parts = [{ capture = "near" }, { capture = "broken" }]
[[blend]]
id = "like a broken one"
nearest = { capture = "broken" }
parts = [{ capture = "near" }, { capture = "dark" }]
[[blend]]
id = "like no file"
nearest = { file = "audio/not-there.wav" }
parts = [{ capture = "near" }, { capture = "dark" }]
"""
RATIO_DB = 5.0


def write(folder):
    """The wanted tone is the sum of near and dark at 5 dB, in step."""
    rng = np.random.default_rng(21)
    (folder / "audio").mkdir(parents=True)

    def save(name, *channels):
        sound = np.stack(channels, axis=1)
        sound = sound + 1e-4 * rng.normal(size=sound.shape)
        soundfile.write(folder / "audio" / name, sound, RATE, subtype="PCM_24")

    di = plucks(4)
    soundfile.write(folder / "audio/di.wav", di, RATE, subtype="PCM_24")
    near, dark, room = (rig(di, 3.0, hz) for hz in (6500.0, 1800.0, 4000.0))
    tail = 4000
    save(
        "p01.wav",
        late(near, 700, tail),
        late(0.6 * dark, 700 + LATE["dark"], tail - LATE["dark"]),
        late(0.5 * room, 700 + LATE["room"], tail - LATE["room"]),
    )
    mixed = near / rms(near) + 10 ** (RATIO_DB / 20) * dark / rms(dark)
    save("p02.wav", late(0.05 * mixed, 700, tail))
    save("liked.wav", 0.02 * mixed, 0.02 * mixed)
    path = folder / "session.toml"
    path.write_text(MANIFEST, encoding="utf-8")
    return path


def rms(x):
    """By K-weighting (BS.1770 tables), as levels are matched by loudness."""
    shelf = (1.53512485958697, -2.69169618940638, 1.19839281085285)
    sos = [
        [*shelf, 1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
    return float(np.sqrt(np.mean(signal.sosfilt(sos, x) ** 2)))


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("blends")
    manifest = write(folder)
    (outcome,) = run_manifests([manifest], folder / "out", QUIET)
    return outcome.record, folder / "out", manifest


def named(record, id_):
    return next(blend for blend in record.blends if blend.id == id_)


def parts_of(record, folder, blend, *, aligned):
    """A blend's parts from the captures' files, before the session's gain."""
    levels = {c.id: c.loudness.gain_db for c in record.captures if c.loudness}
    found = []
    for part in blend.parts:
        x = soundfile.read(folder / f"audio/{part.capture}.wav")[0]
        gain = part.gain_db - levels[part.capture]
        lag = part.lag_samples if aligned else 0.0
        turn = np.exp(2j * np.pi * np.fft.rfftfreq(x.size) * lag)
        moved = np.fft.irfft(np.fft.rfft(x) * turn, x.size)
        found.append(part.polarity * 10 ** (gain / 20) * moved)
    return found


def loss(parts):
    """The definition: third octaves of IEC 61260-1, weighed by the parts' power."""
    hz = np.fft.rfftfreq(parts[0].size, 1 / RATE)
    centres = 1000.0 * 10.0 ** (np.arange(-11, 10) / 10.0)

    def bands(x):
        power = np.abs(np.fft.rfft(x)) ** 2
        return np.array(
            [power[(hz >= c / 10**0.05) & (hz < c * 10**0.05)].sum() for c in centres]
        )

    power = np.sum([bands(x) for x in parts], axis=0)
    ratio = 10 * np.log10(power / bands(np.sum(parts, axis=0)))
    return float(np.average(ratio, weights=power))


@pytest.mark.parametrize(
    ("id_", "aligned"), [("all three", False), ("all three, aligned", True)]
)
def test_what_three_lose_either_way_is_what_the_files_lose(night, id_, aligned):
    record, folder, _ = night
    blend = named(record, id_)
    whole = named(record, "all three, aligned")
    own = parts_of(record, folder, blend, aligned=aligned)
    other = parts_of(record, folder, whole, aligned=not aligned)
    # The prediction averages 240 frames a pair, this the whole of the files.
    assert blend.sum_loss_db == pytest.approx(loss(own), abs=0.05)
    assert blend.other_loss_db == pytest.approx(loss(other), abs=0.05)
    assert abs(loss(own) - loss(other)) > 0.5
    mixed = soundfile.read(folder / blend.output.file)[0]
    expected = 10 ** (blend.loudness.gain_db / 20) * np.sum(own, axis=0)
    # 24 bits, and an interpolator that ends at 0.44 of the rate.
    assert np.std(mixed - expected) < 10 ** (-60 / 20) * np.std(mixed)


def test_an_aligned_blend_is_aligned(night):
    record = night[0]
    for part in named(record, "all three, aligned").parts:
        assert part.lag_samples == pytest.approx(LATE[part.capture], abs=0.5)


@pytest.mark.parametrize("id_", ["like wanted", "like liked"])
def test_the_gain_of_a_wanted_tone_is_found(night, id_):
    blend = named(night[0], id_)
    first, second = blend.parts
    levels = {c.id: c.loudness.gain_db for c in night[0].captures if c.loudness}
    ratio = second.gain_db - (levels["dark"] - levels["near"])
    assert first.gain_db == 0.0
    # Steps of 0.5 dB; loudness is gated, the sum's bands are not.
    assert ratio == pytest.approx(RATIO_DB, abs=1.0)
    assert blend.nearest.distance_db < 0.3
    assert blend.nearest.distance_db < blend.nearest.part_distance_db


def test_the_distance_is_that_of_the_measured_bands(night):
    record = night[0]
    blend = named(record, "like wanted")
    bands = {c.id: np.array(c.curves.erb_db) for c in record.captures if c.curves}

    def distance(levels):
        return np.sqrt(np.mean((np.array(levels) - bands["wanted"]) ** 2))

    # All are at one loudness, so the curves of the record compare as they are.
    assert blend.nearest.distance_db == pytest.approx(
        distance(blend.curves.erb_db), abs=0.01
    )
    alone = {id_: distance(bands[id_]) for id_ in ("near", "dark")}
    assert blend.nearest.part == min(alone, key=alone.get)
    assert blend.nearest.part_distance_db == pytest.approx(
        min(alone.values()), abs=0.01
    )


def test_parts_of_two_passes_are_summed_as_they_lie(night):
    blend = named(night[0], "across")
    assert (blend.sum_loss_db, blend.other_loss_db) == (None, None)
    assert [part.lag_samples for part in blend.parts] == [0.0, 0.0]
    assert "not of one pass" in blend.reason
    assert "Not moved: wanted" in blend.reason


def test_what_cannot_be_blended_is_said_and_the_night_goes_on(night):
    record = night[0]
    told = [f.message for f in record.findings if f.code == "not_blended"]
    assert len(told) == 3
    for id_, why in (
        ("of a broken one", "broken cannot be used"),
        ("like a broken one", "come near to broken"),
        ("like no file", "not-there.wav"),
    ):
        (message,) = [text for text in told if f"'{id_}'" in text]
        assert why in message
    assert {"all three", "across"} <= {blend.id for blend in record.blends}
    assert len(record.blends) == 5


def test_files_of_blends_have_no_blanks_and_blends_keep_their_names(night):
    record, folder, _ = night
    for blend in record.blends:
        assert " " not in blend.output.file
        assert (folder / blend.output.file).is_file()
    assert named(record, "all three, aligned").output.file == (
        "blends/all_three,_aligned.wav"
    )
    page = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    assert "all three, aligned" in {blend["id"] for blend in page["blends"]}


def test_nothing_is_done_again(night):
    _, folder, manifest = night
    decisions = explain(manifest, folder, QUIET)
    assert all(step.reuse for step in decisions if step.id != "broken")
    assert {"wanted", "blend", "write"} <= {step.stage for step in decisions}


def test_ratios_are_made_of_the_two_nearest_either_way(night, tmp_path):
    source = night[2].parent
    head, _, rest = MANIFEST.partition('blends = "none"')
    text = f'{head}blends = "ratios"{rest.partition("[[blend]]")[0]}'
    text = text.replace('"audio/', f'"{source.as_posix()}/audio/')
    manifest = tmp_path / "ratios.toml"
    manifest.write_text(text, encoding="utf-8")
    (outcome,) = run_manifests([manifest], tmp_path / "out", QUIET)
    record = outcome.record
    levels = {c.id: c.loudness.gain_db for c in record.captures if c.loudness}
    found = {False: [], True: []}
    for blend in record.blends:
        assert blend.id.startswith("near + dark")
        second = blend.parts[1]
        found[blend.aligned].append(second.gain_db - levels["dark"] + levels["near"])
        assert (second.lag_samples != 0.0) is blend.aligned
    assert sorted(found[False]) == pytest.approx([-6.0, 0.0, 6.0], abs=1e-6)
    assert {-6, 0, 6} <= {round(ratio, 6) for ratio in found[True]}
    # The best of them by its own criterion: none of the ratios loses less.
    aligned = [blend for blend in record.blends if blend.aligned]
    best = next(blend for blend in aligned if "loses least" in blend.reason)
    assert best.sum_loss_db <= min(blend.sum_loss_db for blend in aligned) + 1e-3


def test_a_check_says_what_cannot_be_blended(night):
    found = run_check(night[2], QUIET).record.findings
    assert sum(finding.code == "not_blended" for finding in found) == 3
