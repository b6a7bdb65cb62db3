"""The session's papers: its manifest as text, and the truth as a table."""

import json
from collections.abc import Iterator

from pipeline.demo import band, session
from pipeline.demo.colour import SAMPLE_RATE_HZ
from pipeline.demo.rig import AMPS, pole_samples
from pipeline.demo.session import Pass, Take

BACKING = "audio/backing.wav"
TRUTH_FORMAT = 1
"""Number of the format of `truth.json`. 1: the first."""


def file_of(one: Pass, take: Take) -> tuple[str, int]:
    """Say where a capture is kept.

    Parameters
    ----------
    one : Pass
        The pass.
    take : Take
        One of its microphones.

    Returns
    -------
    tuple of (str, int)
        File relative to the manifest, and channel counted from 1.
    """
    if one.stereo:
        return f"audio/{one.name}.wav", one.takes.index(take) + 1
    return f"audio/{take.id}.wav", 1


def manifest_text() -> str:
    """Write down the manifest of the session.

    Returns
    -------
    str
        TOML.
    """
    captures = [
        "\n".join(_capture_lines(one, take))
        for one in session.PASSES
        for take in one.takes
    ]
    return "\n".join([_head(), *captures])


def _head() -> str:
    speakers = ",\n".join(
        f'  {{ id = "{cone.name}", diameter_mm = 305, x_mm = {cone.x_m * 1000:.0f}, '
        f"y_mm = {cone.height_m * 1000 - session.CABINET_HEIGHT_MM:.0f} }}"
        for cone in session.CONES
    )
    return f"""\
# {session.NAME}: an invented session, synthesised with known truth (truth.json).
format = 1

[session]
name = "{session.NAME}"
song = "Tide table"
notes = "Plucked-string phrase, two gains, four microphones."
temperature_c = {session.TEMPERATURE_C}
private = {{ send_level_db = -21.5 }}

[di]
file = "audio/di.wav"

[align]
mode = "pass"

[loudness]
target_lufs = -23.0
max_true_peak_dbtp = -1.0

[context]
file = "{BACKING}"
offset_s = {band.LEAD_S}
gain_db = -3.0

[cabinet.planks]
height_mm = {session.CABINET_HEIGHT_MM}
back = "closed"
speakers = [
{speakers}
]

[setup.edge]
cabinet = "planks"
pedals = []
amp = {{ channel = "clean", gain = 4.5, bass = 5, mid = 6, treble = 6, master = 7 }}

[setup.high]
like = "edge"
pedals = ["overdrive"]
amp = {{ channel = "lead", gain = 8, bass = 4, mid = 5, treble = 6, master = 4 }}

[mic.dynamic]
type = "dynamic"
pattern = "cardioid"

[mic.bright]
type = "condenser"
pattern = "cardioid"

[mic.dark]
type = "ribbon"
pattern = "figure of eight"

[mic.room]
type = "condenser"
pattern = "wide cardioid"
"""


def _capture_lines(one: Pass, take: Take) -> Iterator[str]:
    place = take.placement
    file, channel = file_of(one, take)
    offset_mm = round(place.offset_m * 1000)
    yield "[[capture]]"
    yield f'id = "{take.id}"'
    yield f'file = "{file}"'
    if one.stereo:
        yield f"channel = {channel}"
    yield f'pass = "{one.name}"'
    yield f'setup = "{one.amp}"'
    yield f'mic = "{place.mic}"'
    yield f'speaker = "{place.cone.name}"'
    yield f'position = "{session.POSITIONS[offset_mm]}"'
    yield f"offset_mm = {offset_mm}"
    yield f"distance_mm = {round(place.distance_m * 1000)}"
    yield f"height_mm = {round(place.cone.height_m * 1000)}"
    yield f"angle_deg = {round(place.angle_deg)}"
    if place.floor == "blanket":
        yield 'treatment = "blanket on floor"'
    if one.control:
        yield "control = true"
    if one.notes:
        yield f'notes = "{one.notes}"'
    yield ""


def truth_text() -> str:
    """Write down what is known about the session because it was made so.

    Returns
    -------
    str
        JSON: latencies and delays in samples at the DI's rate, positive = late. A
        latency is start, converters and flight; `amp_pole_samples` is what the amp's
        poles above the band delay on top, as any estimate sees it.
    """
    captures = {
        take.id: _capture_truth(one, take)
        for one in session.PASSES
        for take in one.takes
    }
    pairs = [
        {
            "pass": pair.pass_name,
            "a": pair.a,
            "b": pair.b,
            "delay_samples": pair.delay_samples,
            "distance_mm": pair.distance_mm,
            "polarity": pair.polarity,
        }
        for pair in session.pair_truths()
    ]
    truth = {
        "format": TRUTH_FORMAT,
        "sample_rate_hz": SAMPLE_RATE_HZ,
        "speed_of_sound_m_s": session.speed_m_s(),
        "interface_samples": session.INTERFACE_SAMPLES,
        "wrong": wrong_id(),
        "captures": captures,
        "pairs": pairs,
    }
    return json.dumps(truth, indent=2, allow_nan=False) + "\n"


def _capture_truth(one: Pass, take: Take) -> dict[str, object]:
    truth = session.truth_of(one, take)
    return {
        "pass": one.name,
        "latency_samples": truth.latency_samples,
        "polarity": truth.polarity,
        "start_samples": round(one.start_s * SAMPLE_RATE_HZ),
        "buffer_samples": one.buffer_samples,
        "flight_samples": truth.flight_samples,
        "amp_pole_samples": pole_samples(AMPS[one.amp]),
        "hum": take.hum_dbfs is not None,
        "control": one.control,
        "floor": {
            "surface": take.placement.floor,
            "delay_ms": truth.floor_delay_ms,
            "level_db": truth.floor_level_db,
            "first_notch_hz": truth.floor_notch_hz,
        },
    }


def wrong_id() -> str:
    """Name the capture that holds another performance.

    Returns
    -------
    str
        Its identifier.
    """
    return next(one.takes[0].id for one in session.PASSES if one.wrong)
