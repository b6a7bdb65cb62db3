"""Which choices a scene is drawn from, by the question it asks.

A family fixes nothing but ranges: players, amps and their gain, construction
of the cabinet, microphones, distance, noise, room, pedal and fault. The held
out family uses players and combinations that no other family contains.
"""

from dataclasses import dataclass, replace

EVERY_CABINET = ("analogue", "digital", "folded")
CLOSE_MICS = ("dynamic", "bright", "ribbon")
USUAL_PLAYERS = (
    "bright riff",
    "dull riff",
    "palm mutes",
    "lead",
    "arpeggio",
    "strum",
    "low riff",
    "sparse",
)


@dataclass(frozen=True, slots=True)
class Family:
    """Ranges of one family; ``oversampled`` None draws either way of simulating."""

    amps: tuple[str, ...]
    gain_db: tuple[float, float]
    players: tuple[str, ...] = USUAL_PLAYERS
    cabinets: tuple[str, ...] = EVERY_CABINET
    mics: tuple[str, ...] = CLOSE_MICS
    distance_m: tuple[float, float] = (0.02, 0.3)
    noise_db: tuple[float, float] = (-75.0, -50.0)
    hum_db: tuple[float, float] | None = None
    direct_to_room_db: tuple[float, float] | None = (12.0, 30.0)
    length_s: tuple[float, float] = (8.0, 40.0)
    oversampled: bool | None = True
    pedal: str | None = None
    fault: str | None = None
    real: bool = False
    rates_hz: tuple[int, ...] = (48_000, 48_000, 48_000, 44_100)


CLEAN = Family(("linear", "tanh", "cubic", "diode"), (-6.0, 14.0))
CRUNCH = Family(("tanh", "cubic", "diode", "two stages", "sag"), (16.0, 28.0))
HIGH = Family(("two stages", "three stages", "hump drive", "hard clip"), (38.0, 60.0))
EDGE = replace(
    CRUNCH,
    amps=("tanh", "diode", "two stages", "hard clip", "hump drive"),
    gain_db=(8.0, 50.0),
)

FAMILIES: dict[str, Family] = {
    "clean": CLEAN,
    "crunch": CRUNCH,
    "high gain": HIGH,
    "fuzz": Family(("moving bias", "blocking", "diode"), (25.0, 55.0)),
    "dynamics": Family(("compressor", "sag"), (5.0, 40.0)),
    "base rate": replace(
        EDGE, oversampled=False, cabinets=("digital", "folded"), direct_to_room_db=None
    ),
    "anechoic": replace(EDGE, direct_to_room_db=None, distance_m=(0.02, 0.06)),
    "room": replace(
        EDGE,
        mics=("room", "bright"),
        distance_m=(0.5, 2.5),
        direct_to_room_db=(3.0, 10.0),
    ),
    "noise": replace(EDGE, noise_db=(-45.0, -30.0), hum_db=(-45.0, -25.0)),
    "short": replace(EDGE, length_s=(6.0, 8.0)),
    "long": replace(EDGE, length_s=(50.0, 60.0)),
    "fast": replace(EDGE, rates_hz=(96_000, 88_200), length_s=(8.0, 15.0)),
    "real": replace(EDGE, real=True),
    "two speakers": replace(EDGE, fault="two speakers"),
    "later louder": replace(EDGE, fault="later louder"),
    "machine": replace(EDGE, players=("machine chug",), oversampled=None),
    "octave": Family(("octave",), (10.0, 40.0)),
    "echo": replace(EDGE, pedal="echo"),
    "chorus": replace(EDGE, pedal="chorus"),
    "wah": replace(EDGE, pedal="wah"),
    "bleed": replace(EDGE, fault="bleed"),
    "clipped": replace(EDGE, fault="clipped"),
    "gated": replace(HIGH, fault="gated"),
    "offset": replace(EDGE, fault="offset"),
    "cut": replace(EDGE, fault="cut", length_s=(15.0, 40.0)),
    "drift": replace(EDGE, fault="drift", length_s=(20.0, 60.0)),
    "jumps": replace(EDGE, fault="jumps", length_s=(15.0, 40.0)),
    "drift and jumps": replace(EDGE, fault="drift and jumps", length_s=(20.0, 60.0)),
    "wow": replace(EDGE, fault="wow", length_s=(15.0, 40.0)),
    "wrong rate": replace(EDGE, fault="wrong rate", length_s=(15.0, 30.0)),
    "other take": replace(EDGE, fault="other take"),
    "other riff": replace(EDGE, fault="other riff"),
    "hum only": replace(EDGE, fault="hum only"),
    "hiss only": replace(EDGE, fault="hiss only"),
    "silence": replace(EDGE, fault="silence"),
    "held out": Family(
        (
            "three stages",
            "moving bias",
            "compressor",
            "blocking",
            "hump drive",
            "linear",
        ),
        (0.0, 60.0),
        players=("tremolo", "bright riff", "strum", "arpeggio", "sparse"),
        oversampled=None,
        noise_db=(-70.0, -35.0),
        direct_to_room_db=(8.0, 25.0),
        mics=("dynamic", "bright", "ribbon", "room"),
        distance_m=(0.02, 0.8),
    ),
}

PLAIN = (
    "clean", "crunch", "high gain", "fuzz", "dynamics", "base rate", "anechoic", "room",
    "noise", "short", "long", "fast", "real", "two speakers",
)  # fmt: skip
ODD = (
    "machine",
    "octave",
    "echo",
    "chorus",
    "wah",
    "bleed",
    "clipped",
    "gated",
    "offset",
    "cut",
    "later louder",
)
MOVING = ("drift", "jumps", "drift and jumps", "wow", "wrong rate")
FOREIGN = ("other take", "other riff", "hum only", "hiss only", "silence")
HELD_OUT = ("held out",)
