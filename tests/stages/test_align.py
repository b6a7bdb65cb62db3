"""Shifts, polarity and buffers of a night: decisions over all captures."""

from pipeline.models.record import Latency
from pipeline.stages.align import Lagged, decide_shifts, judge_buffer, judge_polarity


def lagged(id_, pass_id, samples, polarity=1, confidence=1.0, **where):
    latency = Latency(
        samples=samples,
        ms=samples / 48,
        polarity=polarity,
        confidence=confidence,
        drift_ppm=None,
    )
    return Lagged(id_, pass_id, latency, **where)


def test_a_pass_shares_the_shift_of_its_earliest_mic():
    night = [
        lagged("close", "p1", 512.25),
        lagged("room", "p1", 700.5),
        lagged("b", "p2", 90.0),
    ]
    assert decide_shifts(night, "pass") == {"close": 512.25, "room": 512.25, "b": 90.0}


def test_an_uncertain_mic_does_not_move_its_pass():
    night = [lagged("odd", "p1", -40.0, confidence=0.1), lagged("sure", "p1", 512.0)]
    assert set(decide_shifts(night, "pass").values()) == {512.0}


def test_mic_mode_moves_each_by_its_own_lag():
    night = [lagged("a", "p1", 10.5), lagged("b", "p1", 12.0)]
    assert decide_shifts(night, "mic") == {"a": 10.5, "b": 12.0}


def test_the_minority_polarity_is_named():
    night = [
        lagged("a", "p1", 0.0),
        lagged("b", "p2", 0.0, polarity=-1),
        lagged("c", "p3", 0.0),
        lagged("d", "p4", 0.0, polarity=None),
    ]
    found = judge_polarity(night)
    assert set(found) == {"b"}
    assert found["b"].code == "polarity_differs"


def test_one_polarity_is_no_finding():
    night = [lagged("a", "p1", 0.0, polarity=-1), lagged("b", "p2", 0.0, polarity=-1)]
    assert judge_polarity(night) == {}


def test_a_buffer_change_moves_all_mics_of_a_pass():
    night = [lagged(f"a{i}", f"p{i}", 500.0 + i % 3) for i in range(6)]
    night += [lagged("late", "p9", 500.5 + 128), lagged("late2", "p9", 503.0 + 128)]
    assert set(judge_buffer(night)) == {"late", "late2"}


def test_passes_started_by_hand_are_not_compared():
    night = [lagged(f"a{i}", f"p{i}", 1000.0 * i + 32 * i) for i in range(6)]
    assert judge_buffer(night) == {}


def test_the_buffer_s_picture_shows_the_step():
    night = [lagged(f"a{i}", f"p{i}", 500.0) for i in range(5)]
    night.append(lagged("late", "p9", 500.0 - 64))
    evidence = judge_buffer(night)["late"].evidence
    assert evidence.lines[0].y == (0.0,) * 5 + (-64.0,)
    assert evidence.marks == (6.0,)


def test_a_microphone_that_stands_farther_away_is_no_buffer():
    # 64 samples of air are 457 mm; the manifest names neither mic nor distance.
    night = [lagged(f"a{i}", f"p{i}", 500.0, known=False) for i in range(5)]
    assert judge_buffer([*night, lagged("far", "p9", 564.0, known=False)]) == {}
    # Named as another microphone it is compared with nobody.
    night = [lagged(f"a{i}", f"p{i}", 500.0, stand="close") for i in range(5)]
    assert judge_buffer([*night, lagged("far", "p9", 564.0, stand="room")]) == {}


def test_two_unnamed_microphones_that_move_alike_are_a_buffer():
    night = []
    for i in range(5):
        late = 64 if i == 3 else 0
        for channel, lag in (("1", 500.0), ("2", 533.5)):
            spot = {"stand": channel, "known": False}
            night.append(lagged(f"p{i}-{channel}", f"p{i}", lag + late, **spot))
    assert set(judge_buffer(night)) == {"p3-1", "p3-2"}


def test_mics_of_a_pass_that_move_apart_are_no_buffer():
    night = []
    for i in range(5):
        late = 64 if i == 3 else 0
        night.append(lagged(f"a{i}", f"p{i}", 500.0 + late, stand="a"))
        night.append(lagged(f"b{i}", f"p{i}", 520.0, stand="b"))
    assert judge_buffer(night) == {}
