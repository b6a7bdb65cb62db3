"""The layout of the invented night: which pass used which rig, mic and place.

A grain loft above a harbour: boards underfoot, a cabinet with two staggered
speakers on two planks, one recorder that starts when it is told to. This module
holds facts only, and what follows from them by arithmetic: latencies, delays
between microphones and the floor's reflection.

Latency is where the recorder started plus converters plus flight, in samples at
48 kHz; positive means that the capture is late against the DI.
"""

from dataclasses import dataclass

from pipeline.demo.air import Cone, Placement, bounce, path_m
from pipeline.demo.colour import SAMPLE_RATE_HZ
from pipeline.demo.rig import AmpName, MicName
from pipeline.units import speed_of_sound_m_s

NAME = "Night at the grain loft"
TEMPERATURE_C = 14.0
INTERFACE_SAMPLES = 1187.37
"""Round trip of the converters and the driver at the night's buffer size."""

CABINET_HEIGHT_MM = 100
UPPER = Cone("upper", x_m=0.19, height_m=0.57)
LOWER = Cone("lower", x_m=0.48, height_m=0.31)
CONES = (UPPER, LOWER)

POSITIONS = {0: "cap centre", 35: "cap edge", 80: "cone", 110: "cone edge"}
"""Words for offsets in mm."""


@dataclass(frozen=True, slots=True)
class Take:
    """One microphone in one pass.

    Parameters
    ----------
    id : str
        Unique name.
    placement : Placement
        Where it stands.
    polarity : int
        1, or -1 where a cable is wired the other way round.
    hum_dbfs : float or None
        Level of mains hum in the file.
    """

    id: str
    placement: Placement
    polarity: int = 1
    hum_dbfs: float | None = None


@dataclass(frozen=True, slots=True)
class Pass:
    """Everything that was recorded while the DI played once.

    Parameters
    ----------
    name : str
        Name of the pass.
    amp : str
        "edge" or "high".
    start_s : float
        How long the recorder ran before the DI started; negative when it started
        late.
    takes : tuple of Take
        The microphones.
    buffer_samples : int
        How much later the interface was than on the rest of the night.
    stereo : bool
        Two microphones share a file, one a channel.
    control : bool
        The same set-up recorded again.
    wrong : bool
        Another performance was played by mistake.
    notes : str
        What the session sheet says.
    """

    name: str
    amp: AmpName
    start_s: float
    takes: tuple[Take, ...]
    buffer_samples: int = 0
    stereo: bool = False
    control: bool = False
    wrong: bool = False
    notes: str = ""


def _cap_edge(mic: MicName, mm: int, angle_deg: float = 0.0) -> Placement:
    return Placement(mic, UPPER, 0.035, mm / 1000.0, angle_deg)


PASSES: tuple[Pass, ...] = (
    Pass(
        "p01",
        "edge",
        1.0,
        (Take("p01-dynamic-centre", Placement("dynamic", UPPER, 0.0, 0.02)),),
        control=True,
    ),
    Pass("p02", "edge", 1.0, (Take("p02-dynamic-edge", _cap_edge("dynamic", 20)),)),
    Pass(
        "p03",
        "edge",
        2.0,
        (Take("p03-dynamic-cone", Placement("dynamic", UPPER, 0.08, 0.02)),),
    ),
    Pass(
        "p04",
        "edge",
        1.0,
        (Take("p04-dynamic-rim", Placement("dynamic", UPPER, 0.11, 0.02)),),
    ),
    Pass(
        "p05",
        "edge",
        1.0,
        (
            Take("p05-bright-centre", Placement("bright", UPPER, 0.0, 0.05)),
            Take("p05-room", Placement("room", UPPER, 0.0, 1.5)),
        ),
    ),
    Pass("p06", "edge", 3.0, (Take("p06-dark-edge", _cap_edge("dark", 150)),)),
    Pass(
        "p07",
        "edge",
        1.0,
        (
            Take("p07-dynamic", _cap_edge("dynamic", 50)),
            Take("p07-dark", _cap_edge("dark", 50)),
        ),
        stereo=True,
        notes="one file: dynamic left, ribbon right",
    ),
    Pass("p08", "high", 1.0, (Take("p08-dynamic-edge", _cap_edge("dynamic", 20)),)),
    Pass(
        "p09",
        "high",
        1.0,
        (Take("p09-dynamic-angled", _cap_edge("dynamic", 20, 45.0)),),
    ),
    Pass(
        "p10",
        "high",
        -0.7003125,
        (Take("p10-bright-boards", Placement("bright", LOWER, 0.0, 0.3)),),
        notes="recorder started late, in the silence before the first note",
    ),
    Pass(
        "p11",
        "high",
        1.0,
        (
            Take(
                "p11-bright-blanket",
                Placement("bright", LOWER, 0.0, 0.3, floor="blanket"),
            ),
        ),
    ),
    Pass(
        "p12",
        "high",
        2.0,
        (
            Take("p12-dynamic-near", Placement("dynamic", UPPER, 0.0, 0.02)),
            Take("p12-bright-behind", Placement("bright", UPPER, 0.0, 0.045)),
        ),
        notes="two close mics, the bright one 25 mm behind the dynamic",
    ),
    Pass(
        "p13",
        "high",
        1.0,
        (
            Take(
                "p13-dark-edge",
                _cap_edge("dark", 50),
                polarity=-1,
                hum_dbfs=-66.0,
            ),
        ),
        notes="another cable",
    ),
    Pass(
        "p14",
        "high",
        1.0,
        (
            Take("p14-dynamic-lower", Placement("dynamic", LOWER, 0.035, 0.05)),
            Take("p14-room", Placement("room", UPPER, 0.0, 1.5, floor="blanket")),
        ),
        buffer_samples=256,
        notes="after the driver was restarted",
    ),
    Pass(
        "p15",
        "edge",
        1.0,
        (Take("p15-dynamic-centre", Placement("dynamic", UPPER, 0.0, 0.02)),),
        control=True,
        notes="as p01, nothing touched in between",
    ),
    Pass(
        "p16",
        "edge",
        1.0,
        (Take("p16-dynamic-lower", Placement("dynamic", LOWER, 0.0, 0.05)),),
        wrong=True,
    ),
)


@dataclass(frozen=True, slots=True)
class TakeTruth:
    """What is known about one capture because it was made so.

    Parameters
    ----------
    latency_samples : float or None
        None where another performance was recorded.
    polarity : int or None
        1 or -1 against the DI; None likewise.
    flight_samples : float
        The part of the latency that the air takes.
    floor_delay_ms : float
        The floor's reflection after the direct sound.
    floor_level_db : float
        Its level with a floor that reflects everything.
    floor_notch_hz : float
        First notch of the comb that the two make.
    """

    latency_samples: float | None
    polarity: int | None
    flight_samples: float
    floor_delay_ms: float
    floor_level_db: float
    floor_notch_hz: float


@dataclass(frozen=True, slots=True)
class PairTruth:
    """Two microphones of one pass: b against a.

    Parameters
    ----------
    pass_name : str
        The pass.
    a, b : str
        Identifiers of the captures.
    delay_samples : float
        Positive: b is later than a.
    distance_mm : float
        The delay as a distance in air.
    polarity : int
        1 or -1.
    """

    pass_name: str
    a: str
    b: str
    delay_samples: float
    distance_mm: float
    polarity: int


def speed_m_s() -> float:
    """Speed of sound in the loft.

    Returns
    -------
    float
        Metres per second.
    """
    return speed_of_sound_m_s(TEMPERATURE_C)


def flight_samples(placement: Placement) -> float:
    """Time that the air takes between cap and capsule.

    Parameters
    ----------
    placement : Placement
        Where the microphone stands.

    Returns
    -------
    float
        Samples at 48 kHz.
    """
    return path_m(placement) / speed_m_s() * SAMPLE_RATE_HZ


def offset_samples(one: Pass) -> float:
    """Sum up what a pass adds to the latency of all of its microphones.

    Parameters
    ----------
    one : Pass
        The pass.

    Returns
    -------
    float
        Start of the recorder, converters and buffer, in samples at 48 kHz.
    """
    return one.start_s * SAMPLE_RATE_HZ + INTERFACE_SAMPLES + one.buffer_samples


def truth_of(one: Pass, take: Take) -> TakeTruth:
    """Derive the truth about one capture.

    Parameters
    ----------
    one : Pass
        The pass.
    take : Take
        One of its microphones.

    Returns
    -------
    TakeTruth
        Latency, polarity and the floor.
    """
    flight = flight_samples(take.placement)
    floor = bounce(take.placement, speed_m_s())
    return TakeTruth(
        latency_samples=None if one.wrong else offset_samples(one) + flight,
        polarity=None if one.wrong else take.polarity,
        flight_samples=flight,
        floor_delay_ms=floor.delay_s * 1000.0,
        floor_level_db=floor.level_db,
        floor_notch_hz=0.5 / floor.delay_s,
    )


def pair_truths() -> tuple[PairTruth, ...]:
    """Derive the truth about all pairs of the night.

    Returns
    -------
    tuple of PairTruth
        One for each pass with two microphones, the second against the first.
    """
    return tuple(_pair(one) for one in PASSES if len(one.takes) == 2)


def _pair(one: Pass) -> PairTruth:
    a, b = one.takes
    further_m = path_m(b.placement) - path_m(a.placement)
    return PairTruth(
        pass_name=one.name,
        a=a.id,
        b=b.id,
        delay_samples=further_m / speed_m_s() * SAMPLE_RATE_HZ,
        distance_mm=further_m * 1000.0,
        polarity=a.polarity * b.polarity,
    )
