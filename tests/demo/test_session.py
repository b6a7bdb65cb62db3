"""The night holds what a night of reamping holds, and its truth adds up."""

import pytest

from pipeline.demo import session

TAKES = [(one, take) for one in session.PASSES for take in one.takes]


def named(name):
    return next(one for one in session.PASSES if one.name == name)


def test_the_night_is_long_enough_and_everything_has_its_own_name():
    assert len(TAKES) >= 16
    assert len({take.id for _, take in TAKES}) == len(TAKES)
    assert len({one.name for one in session.PASSES}) == len(session.PASSES)


def test_every_habit_and_fault_of_a_night_occurs():
    # The list is the demo's purpose: what a newcomer should see found.
    placements = [take.placement for _, take in TAKES]
    assert {place.mic for place in placements} == {"bright", "dark", "dynamic", "room"}
    assert {one.amp for one in session.PASSES} == {"edge", "high"}
    assert {round(place.offset_m * 1000) for place in placements} >= {0, 35, 80, 110}
    assert {round(place.distance_m * 1000) for place in placements} >= {
        20,
        50,
        150,
        300,
        1500,
    }
    assert any(place.angle_deg == 45.0 for place in placements)
    assert {place.cone.name for place in placements} == {"upper", "lower"}
    assert sum(take.polarity == -1 for _, take in TAKES) == 1
    assert sum(one.wrong for one in session.PASSES) == 1
    assert sum(take.hum_dbfs is not None for _, take in TAKES) == 1
    assert sum(one.stereo and len(one.takes) == 2 for one in session.PASSES) == 1


def test_control_captures_repeat_each_other():
    one, two = (pass_ for pass_ in session.PASSES if pass_.control)
    assert one.amp == two.amp
    assert one.takes[0].placement == two.takes[0].placement


def test_the_floor_trial_differs_in_nothing_but_the_blanket():
    boards, blanket = (named(name).takes[0].placement for name in ("p10", "p11"))
    assert (boards.floor, blanket.floor) == ("boards", "blanket")
    assert (boards.mic, boards.cone, boards.offset_m, boards.distance_m) == (
        blanket.mic,
        blanket.cone,
        blanket.offset_m,
        blanket.distance_m,
    )


def test_one_pass_is_later_by_whole_buffers():
    # Common practice, no source: buffers are multiples of 32 samples.
    later = [one.buffer_samples for one in session.PASSES if one.buffer_samples]
    assert len(later) == 1
    assert later[0] % 32 == 0


def test_recorders_start_at_different_times_once_after_the_di():
    starts = {one.start_s for one in session.PASSES}
    assert max(starts) - min(starts) > 2.0
    assert min(starts) < 0.0


def test_a_late_start_does_not_look_like_a_change_of_buffer():
    # A hand on a button knows nothing of buffers: no whole number of 32 samples.
    late = min(one.start_s for one in session.PASSES) * 48_000
    assert late == round(late)
    assert round(late) % 32 != 0


def test_25_mm_of_depth_is_3_and_a_half_samples():
    # Path table at c = 343.2 m/s: 25 mm is 3.4965 samples at 48 kHz; the loft is
    # colder: c = 331.3 sqrt(1 + T/273.15) gives 339.68 m/s at 14 C.
    pair = {pair.a: pair for pair in session.pair_truths()}["p12-dynamic-near"]
    assert pair.distance_mm == pytest.approx(25.0)
    assert pair.delay_samples == pytest.approx(3.4965 * 343.2 / 339.684, abs=0.001)


def test_latency_is_start_and_converters_and_flight():
    # Worked by hand: 1 s, 1187.37 samples, 45 mm of air at 339.684 m/s.
    one = named("p01")
    truth = session.truth_of(one, one.takes[0])
    by_hand = 48_000 + 1187.37 + 0.045 / 339.684 * 48_000
    assert truth.latency_samples == pytest.approx(by_hand, abs=0.001)


def test_the_wrong_file_has_no_latency():
    one = next(one for one in session.PASSES if one.wrong)
    truth = session.truth_of(one, one.takes[0])
    assert truth.latency_samples is None
    assert truth.polarity is None
