"""Flight, floor and room against handbooks and the habits of the trade."""

import numpy as np
import pytest

from pipeline.demo import air
from pipeline.demo.air import CAP_DEPTH_M, Cone, Placement
from pipeline.demo.colour import RESPONSE_FRAMES, SAMPLE_RATE_HZ

SPEED = 343.2
UPPER = Cone("upper", 0.19, 0.57)
LOWER = Cone("lower", 0.48, 0.31)
FREQUENCY = np.fft.rfftfreq(RESPONSE_FRAMES, 1 / SAMPLE_RATE_HZ)


def inside(low_hz, high_hz):
    return (low_hz < FREQUENCY) & (high_hz > FREQUENCY)


def at(response, hz):
    return response[int(np.argmin(np.abs(FREQUENCY - hz)))]


def centroid_hz(response):
    band = inside(80, 10_000)
    power = np.abs(response[band]) ** 2 / FREQUENCY[band]
    return float(np.sum(FREQUENCY[band] * power) / np.sum(power))


def band_db(response, low_hz, high_hz):
    band = inside(low_hz, high_hz)
    return 10 * np.log10(np.mean(np.abs(response[band]) ** 2))


@pytest.mark.parametrize(
    ("height_m", "distance_m", "ms", "notch_hz", "level_db"),
    [
        (0.3, 0.3, 1.0805, 462.8, -6.99),
        (0.5, 1.0, 1.2069, 414.3, -3.01),
        (1.0, 2.0, 2.4138, 207.1, -3.01),
        (1.0, 0.025, 5.7551, 86.9, -38.06),
    ],
)
def test_the_floor_reflects_as_the_image_source_says(
    height_m, distance_m, ms, notch_hz, level_db
):
    # Image source with c = 343.2 m/s, own arithmetic. Method by Allen and Berkley 1979,
    # from memory.
    place = Placement(
        "room", Cone("upper", 0.0, height_m), 0.0, distance_m - CAP_DEPTH_M
    )
    found = air.bounce(place, SPEED)
    assert found.delay_s * 1000 == pytest.approx(ms, abs=0.0002)
    assert found.level_db == pytest.approx(level_db, abs=0.01)
    assert 0.5 / found.delay_s == pytest.approx(notch_hz, abs=0.1)


def test_a_metre_of_air_is_140_samples():
    # Path table at c = 343.2 m/s: a metre is 139.86 samples at 48 kHz, so half of one
    # is 69.93.
    place = Placement("room", UPPER, 0.0, 1.0 - CAP_DEPTH_M)
    nearer = Placement("room", UPPER, 0.0, 0.5 - CAP_DEPTH_M)
    far, near = (air.direct_sound(one, SPEED) for one in (place, nearer))
    band = inside(400, 3000)
    phase = np.unwrap(np.angle(far[band] / near[band]))
    slope = np.polyfit(2 * np.pi * FREQUENCY[band], phase, 1)[0]
    assert -slope * SAMPLE_RATE_HZ == pytest.approx(69.93, abs=0.1)


@pytest.mark.parametrize("mic", ["bright", "dark", "dynamic"])
def test_the_caps_centre_is_brighter_than_its_edge_and_than_the_cone(mic):
    # Common practice, no source: the most repeated rule of the trade.
    brightness = [
        centroid_hz(air.direct_sound(Placement(mic, UPPER, offset, 0.02), SPEED))
        for offset in (0.0, 0.035, 0.08)
    ]
    assert brightness == sorted(brightness, reverse=True)
    assert brightness[0] > 1.1 * brightness[1]


@pytest.mark.parametrize("mic", ["bright", "dark", "dynamic"])
def test_on_axis_is_brighter_than_45_degrees(mic):
    # Common practice, no source.
    straight, angled = (
        centroid_hz(air.direct_sound(Placement(mic, UPPER, 0.035, 0.02, a), SPEED))
        for a in (0.0, 45.0)
    )
    assert straight > 1.05 * angled


def test_25_mm_of_depth_costs_8_db_at_5_khz():
    # Two equal tones at 131 degrees (360 x 5 kHz x 72.8 us) add up 7.7 dB below
    # their coherent sum: Davis and Patronis, Sound System Engineering, table 2.9
    # (130 degrees: 88.54 of 96.02 dB; 140: 86.70).
    near, far = (
        air.direct_sound(Placement("dynamic", UPPER, 0.0, d), SPEED)
        for d in (0.02, 0.045)
    )
    a, b = at(near, 5000), at(far, 5000)
    loss_db = 20 * np.log10(abs(a / abs(a) + b / abs(b)) / 2)
    assert loss_db == pytest.approx(-7.7, abs=0.3)


def test_a_blanket_swallows_the_floors_treble_and_not_its_bass():
    # Common practice, no source: early high-frequency reflections fall.
    boards, blanket = (
        air.floor_sound(Placement("bright", LOWER, 0.0, 0.3, floor=floor), SPEED)
        for floor in ("boards", "blanket")
    )
    assert band_db(blanket, 2000, 5000) < band_db(boards, 2000, 5000) - 10.0
    assert band_db(blanket, 60, 125) > band_db(boards, 60, 125) - 0.5


def test_the_blanket_shows_in_what_the_microphone_hears():
    # As above, in the whole response: sound from 0.6 to 3 ms after the direct one.
    def early_treble_db(floor):
        place = Placement("bright", LOWER, 0.0, 0.3, floor=floor)
        impulse = np.fft.irfft(air.response(place, (LOWER,), SPEED))
        onset = round(air.path_m(place) / SPEED * SAMPLE_RATE_HZ)
        late = np.zeros(RESPONSE_FRAMES)
        late[onset + 29 : onset + 144] = impulse[onset + 29 : onset + 144]
        return band_db(np.fft.rfft(late), 1500, 4000)

    assert early_treble_db("blanket") < early_treble_db("boards") - 2.0


def test_a_floor_does_nothing_for_a_microphone_at_the_grille():
    # Common practice with a formula: at 50 mm or less the reflection is at least
    # 18 dB down.
    near = air.bounce(Placement("dynamic", LOWER, 0.0, 0.05), SPEED)
    far = air.bounce(Placement("dynamic", LOWER, 0.0, 0.3), SPEED)
    assert near.level_db < -18.0 < far.level_db


def test_further_away_there_is_more_room():
    # Common practice: the direct sound falls with distance, the room's does not.
    def late_share_db(distance_m):
        place = Placement("room", UPPER, 0.0, distance_m)
        impulse = np.fft.irfft(air.response(place, (UPPER, LOWER), SPEED))
        onset = round(air.path_m(place) / SPEED * SAMPLE_RATE_HZ)
        late, all_ = impulse[onset + 960 : RESPONSE_FRAMES // 2], impulse
        return 10 * np.log10(np.sum(late**2) / np.sum(all_**2))

    assert late_share_db(0.02) + 20.0 < late_share_db(0.3) + 10.0 < late_share_db(1.5)


@pytest.mark.parametrize("distance_m", [0.02, 0.05, 0.3, 1.5])
def test_nothing_arrives_before_the_direct_sound(distance_m):
    # Truth by construction: latency is the onset of the direct sound.
    place = Placement("dynamic", UPPER, 0.0, distance_m)
    impulse = np.fft.irfft(air.response(place, (UPPER, LOWER), SPEED))
    onset = int(air.path_m(place) / SPEED * SAMPLE_RATE_HZ)
    early = np.concatenate([impulse[: onset - 2], impulse[-4096:]])
    assert np.sum(early**2) < 1e-6 * np.sum(impulse**2)
