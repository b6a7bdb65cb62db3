"""Blends on the page: what they cost, and levels that a person can set."""

import records

from pipeline.report.blends import blends


def told(data):
    return blends(records.record(data))[0]


def night():
    data = records.night(16)
    for capture, gain_db in zip(data["captures"][:2], (3.0, 9.5), strict=True):
        capture["loudness"]["gain_db"] = gain_db
    return data


def test_levels_are_those_of_the_level_matched_files():
    # -2.5 dB between the sources; their files were raised by 3.0 and 9.5 dB, so the
    # second goes in 9.0 dB lower: -2.5 - (9.5 - 3.0).
    assert told(night()).recipe == (
        "t001 +0.0\u00a0dB",
        "t002 \u22129.0\u00a0dB, 0.059\u00a0ms earlier",
    )


def test_a_flipped_and_a_later_part_are_told():
    data = night()
    data["blends"][0]["parts"][1].update(polarity=-1, lag_samples=-48.0)
    assert told(data).recipe[1] == (
        "t002 \u22129.0\u00a0dB, flipped, 1.000\u00a0ms later"
    )


def test_the_other_way_is_told_in_the_words_of_the_pairs():
    data = night()
    data["blends"][0]["other_loss_db"] = -2.04
    assert told(data).other == "as they stood: helps by 2.0\u00a0dB"
    data["blends"][0]["aligned"] = False
    assert told(data).other == "moved together: helps by 2.0\u00a0dB"
    assert told(data).loss == "costs 0.3\u00a0dB"
    data["blends"][0].update(sum_loss_db=None, other_loss_db=None)
    assert (told(data).loss, told(data).other) == ("not known", None)


def near(distance_db, part_db, floor_db):
    data = night()
    data["blends"][0]["nearest"] = {
        "capture": None,
        "file": "liked.wav",
        "distance_db": distance_db,
        "part": "t002",
        "part_distance_db": part_db,
    }
    if floor_db is None:
        data["repeatability"] = None
    else:
        data["repeatability"]["distance_db"] = floor_db
    return told(data).near


def test_a_wanted_tone_is_held_against_the_nights_floor():
    assert near(1.84, 2.5, 0.3) == (
        "1.8\u00a0dB from liked.wav; of its parts t002 is nearest alone, 2.5\u00a0dB."
    )
    assert near(0.2, 2.5, 0.3).endswith("It cannot be told from liked.wav tonight.")
    assert near(1.8, 2.0, 0.3).endswith("no nearer than can be told tonight.")
    assert near(1.8, 2.0, None).endswith("can be told apart tonight is not known.")


def test_a_part_that_alone_is_nearer_is_named():
    told = "1.6\u00a0dB from liked.wav; t002 alone is nearer, 1.5\u00a0dB."
    assert near(1.57, 1.52, 0.3) == told
    assert near(1.57, 1.52, None) == told


def test_nothing_was_wanted():
    assert told(night()).near is None
