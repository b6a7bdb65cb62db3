"""Several captures that belong together: passes, nights, one rig for many DIs."""

from dataclasses import replace

import numpy as np

from . import air
from .arrays import Array
from .build import finished, recorded
from .families import Family
from .players import PLAYERS, perform
from .scene import (
    Pass,
    Rig,
    Scene,
    converter_delay,
    draw_di,
    draw_place,
    draw_rig,
    family_named,
)

UNLIKE_MICS = ("dynamic", "bright", "ribbon")
BUFFER_STEP = 32


def _heard(
    rng: np.random.Generator,
    ranges: Family,
    rig: Rig,
    take: tuple[str, Array, int, float],
) -> list[Scene]:
    """Record one pass of a rig with three unlike microphones."""
    player, di, rate, electronics = take
    played = rig.play(di, rate)
    box = rig.cabinet.response(rate)
    sign_seed = int(rng.integers(2**31))
    scenes = []
    for kind in rng.permutation(UNLIKE_MICS):
        place = draw_place(rng, replace(ranges, mics=(str(kind),)), rate)
        delay = electronics + air.flight_samples(place.distance_m, rate)
        tape = recorded(rng, ranges, played, (box * place.response(rate), delay, rate))
        labels = rig.labels | {"family": "pass", "player": player, "mic": str(kind)}
        # All microphones of one pass share what the amp does to the polarity.
        scenes.append(finished(np.random.default_rng(sign_seed), tape, di, labels))
    return scenes


def random_pass(rng: np.random.Generator, *, family: str, mics: int = 2) -> Pass:
    """Draw one pass heard by two or three unlike microphones."""
    ranges = family_named(family)
    rate = int(rng.choice(ranges.rates_hz))
    rig = draw_rig(rng, ranges, rate)
    player, _, di = draw_di(rng, ranges, rate)
    scenes = _heard(rng, ranges, rig, (player, di, rate, converter_delay(rng)))
    return Pass(tuple(scenes[:mics]))


def random_night(
    rng: np.random.Generator, *, family: str, passes: int = 4
) -> list[Pass]:
    """Draw passes of one DI through one rig on one interface.

    The last pass comes after a change of the buffer: all its microphones are
    later or earlier by a multiple of 32 samples.
    """
    ranges = family_named(family)
    rate = int(rng.choice(ranges.rates_hz))
    rig = draw_rig(rng, ranges, rate)
    player, _, di = draw_di(rng, ranges, rate)
    electronics = converter_delay(rng) + 512
    night = []
    for k in range(passes):
        if k == passes - 1:
            steps = int(rng.choice([-8, -4, -2, -1, 1, 2, 4, 8]))
            electronics += BUFFER_STEP * steps
        night.append(
            Pass(tuple(_heard(rng, ranges, rig, (player, di, rate, electronics))))
        )
    return night


def one_rig(
    rng: np.random.Generator, *, family: str, players: tuple[str, ...]
) -> list[Scene]:
    """Draw one rig, microphone and delay, and send several players through it."""
    ranges = family_named(family)
    rate = int(rng.choice(ranges.rates_hz))
    rig = draw_rig(rng, ranges, rate)
    place = draw_place(rng, ranges, rate)
    response = rig.cabinet.response(rate) * place.response(rate)
    delay = converter_delay(rng)
    scenes = []
    for player in players:
        di = perform(PLAYERS[player](rng, float(rng.uniform(12, 25))), rng, rate)
        tape = recorded(rng, ranges, rig.play(di, rate), (response, delay, rate))
        labels = rig.labels | {"family": family, "player": player}
        labels["mic"] = place.mic.label
        scenes.append(finished(rng, tape, di, labels))
    return scenes
