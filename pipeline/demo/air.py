"""What lies between the cap and the capsule: flight, the floor, the room.

Geometry follows the image source: the floor's reflection comes from a speaker as
far below the floor as the real one stands above it, at an amplitude of direct path
over reflected path times the floor's reflection factor (inverse distance law). The
room's tail is noise that decays by 60 dB in its reverberation time, with the energy
that the critical distance gives it (Sabine; textbook acoustics, from memory).

Lengths in metres, the speaker's axis level with the floor. Positive delays are late.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.demo.colour import (
    RESPONSE_FRAMES,
    SAMPLE_RATE_HZ,
    Response,
    bell,
    delayed,
    grid_hz,
    low_pass,
    minimum_phase,
    shelf,
)
from pipeline.demo.rig import MicName, cone_level, mic_level

Floor = Literal["boards", "blanket"]

CAP_DEPTH_M = 0.025
"""How far the cap lies behind the grille."""

_BOARDS_FACTOR_DB = -0.5
_BLANKET_KNEE_HZ = 500.0
_REFERENCE_M = 0.1
_VOLUME_M3 = 64.0
_SURFACE_M2 = 98.0
_REVERBERATION_S = 0.34
_DIRECTIVITY = 8.0


@dataclass(frozen=True, slots=True)
class Cone:
    """One speaker of the cabinet, seen from the front.

    Parameters
    ----------
    name : str
        "upper" or "lower".
    x_m : float
        Centre, from the cabinet's left edge.
    height_m : float
        Centre, above the floor.
    """

    name: str
    x_m: float
    height_m: float


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a microphone stands.

    Parameters
    ----------
    mic : str
        "bright", "dark", "dynamic" or "room".
    cone : Cone
        The speaker it is aimed at; the capsule is as high as the cap.
    offset_m : float
        From the cap's centre to the right, along the cone.
    distance_m : float
        From the grille to the capsule.
    angle_deg : float
        How far the microphone is turned away from the cap.
    floor : str
        "boards" or "blanket".
    """

    mic: MicName
    cone: Cone
    offset_m: float
    distance_m: float
    angle_deg: float = 0.0
    floor: Floor = "boards"


@dataclass(frozen=True, slots=True)
class Bounce:
    """The floor's reflection at one place, bare of all colours.

    Parameters
    ----------
    delay_s : float
        How much later than the direct sound.
    level_db : float
        Against the direct sound, with a floor that reflects everything.
    """

    delay_s: float
    level_db: float


@dataclass(frozen=True, slots=True)
class _Way:
    """One straight way, unfolded: length, and angles off both axes."""

    length_m: float
    leaving_rad: float
    arriving_rad: float


def path_m(placement: Placement, cone: Cone | None = None) -> float:
    """Measure the straight way from a cap to the capsule.

    Parameters
    ----------
    placement : Placement
        Where the microphone stands.
    cone : Cone or None
        Another speaker than the one it is aimed at.

    Returns
    -------
    float
        Metres.
    """
    aimed = placement.cone
    source = aimed if cone is None else cone
    across_m = aimed.x_m + placement.offset_m - source.x_m
    up_m = aimed.height_m - source.height_m
    return float(np.hypot(np.hypot(across_m, up_m), _depth_m(placement)))


def bounce(placement: Placement, speed_m_s: float) -> Bounce:
    """Place the floor's reflection by the image source.

    Parameters
    ----------
    placement : Placement
        Where the microphone stands.
    speed_m_s : float
        Speed of sound.

    Returns
    -------
    Bounce
        Delay and level against the direct sound.
    """
    direct_m, reflected_m = path_m(placement), _reflected_m(placement)
    return Bounce(
        delay_s=(reflected_m - direct_m) / speed_m_s,
        level_db=float(20.0 * np.log10(direct_m / reflected_m)),
    )


def response(
    placement: Placement, cones: tuple[Cone, ...], speed_m_s: float
) -> Response:
    """Sum up everything from the amp's output to the microphone's, flight included.

    Parameters
    ----------
    placement : Placement
        Where the microphone stands.
    cones : tuple of Cone
        All speakers of the cabinet.
    speed_m_s : float
        Speed of sound.

    Returns
    -------
    numpy.ndarray
        Complex response: direct sound, floor, the other speakers and the room.
    """
    total = direct_sound(placement, speed_m_s) + floor_sound(placement, speed_m_s)
    for cone in cones:
        if cone != placement.cone:
            total = total + _bleed(placement, cone, speed_m_s)
    return total + _room(placement, speed_m_s)


def direct_sound(placement: Placement, speed_m_s: float) -> Response:
    """Follow the way from the cap to the capsule.

    Parameters
    ----------
    placement : Placement
        Where the microphone stands.
    speed_m_s : float
        Speed of sound.

    Returns
    -------
    numpy.ndarray
        Complex response; its onset is the flight's time.
    """
    length_m = path_m(placement)
    leaving_rad = float(np.arccos(_depth_m(placement) / length_m))
    arriving_rad = leaving_rad + abs(np.deg2rad(placement.angle_deg))
    return _way(placement, _Way(length_m, leaving_rad, arriving_rad), speed_m_s)


def floor_sound(placement: Placement, speed_m_s: float) -> Response:
    """Follow the way by the floor.

    A blanket swallows treble and hardly any bass (felt: absorption coefficients
    from about 0.1 at 125 Hz to 0.9 at 2 kHz, common practice).

    Parameters
    ----------
    placement : Placement
        Where the microphone stands.
    speed_m_s : float
        Speed of sound.

    Returns
    -------
    numpy.ndarray
        Complex response of the reflection alone.
    """
    length_m = _reflected_m(placement)
    angle_rad = float(np.arccos(_depth_m(placement) / length_m))
    way = _way(placement, _Way(length_m, angle_rad, angle_rad), speed_m_s)
    factor_db = np.full_like(grid_hz(), _BOARDS_FACTOR_DB)
    if placement.floor == "blanket":
        factor_db += low_pass(grid_hz(), _BLANKET_KNEE_HZ, 1.0)
    return way * minimum_phase(np.maximum(factor_db, -30.0))


def _depth_m(placement: Placement) -> float:
    return CAP_DEPTH_M + placement.distance_m


def _reflected_m(placement: Placement) -> float:
    down_m = 2.0 * placement.cone.height_m
    across_m = np.hypot(placement.offset_m, _depth_m(placement))
    return float(np.hypot(down_m, across_m))


def _bleed(placement: Placement, cone: Cone, speed_m_s: float) -> Response:
    length_m = path_m(placement, cone)
    angle_rad = float(np.arccos(_depth_m(placement) / length_m))
    way = _way(placement, _Way(length_m, angle_rad, angle_rad), speed_m_s)
    if placement.cone.name == cone.name:
        return way
    own_db = cone_level(grid_hz(), placement.cone.name, angle_rad)
    other_db = cone_level(grid_hz(), cone.name, angle_rad)
    return way * minimum_phase(other_db - own_db)


def _way(placement: Placement, way: _Way, speed_m_s: float) -> Response:
    """Colour, weaken and delay sound on one way."""
    frequency_hz = grid_hz()
    level_db = cone_level(frequency_hz, placement.cone.name, way.leaving_rad)
    level_db += mic_level(frequency_hz, placement.mic, way.length_m, way.arriving_rad)
    level_db += 20.0 * np.log10(_REFERENCE_M / way.length_m)
    flight_samples = way.length_m / speed_m_s * SAMPLE_RATE_HZ
    return delayed(minimum_phase(level_db), flight_samples)


def _room(placement: Placement, speed_m_s: float) -> Response:
    """Draw the loft's tail: one noise for one place, whatever the pass."""
    place = (placement.cone.name == "lower", placement.offset_m, placement.distance_m)
    rng = np.random.default_rng([round(1000 * part) for part in place])
    seconds = np.arange(RESPONSE_FRAMES) / SAMPLE_RATE_HZ
    free_path_m = 4.0 * _VOLUME_M3 / _SURFACE_M2
    onset_s = (path_m(placement) + free_path_m) / speed_m_s
    decay = 10.0 ** (-3.0 * (seconds - onset_s) / _REVERBERATION_S)
    tail = rng.normal(size=RESPONSE_FRAMES) * np.where(seconds < onset_s, 0.0, decay)
    critical_m = 0.057 * np.sqrt(_DIRECTIVITY * _VOLUME_M3 / _REVERBERATION_S)
    tail *= _REFERENCE_M / critical_m / np.sqrt(np.sum(tail**2))
    frequency_hz = grid_hz()
    colour_db = cone_level(frequency_hz, placement.cone.name, 1.0)
    colour_db += mic_level(frequency_hz, placement.mic, 10.0, 0.0)
    colour_db += shelf(frequency_hz, 3000.0, -6.0) + bell(frequency_hz, 180.0, 0.5, 2.0)
    coloured: Response = np.fft.rfft(tail) * minimum_phase(colour_db)
    return coloured
