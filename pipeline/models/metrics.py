"""The one table of metrics: it drives JSON keys, CSV, report columns and README.

All metrics are computed on the aligned, level-matched audio over the frames in
which the DI is active, unless the definition says otherwise. Words never stand
without their Hz and dB.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Metric:
    """One row of the table.

    Parameters
    ----------
    key : str
        Key in `record.json` and `metrics.csv`.
    label : str
        Column head.
    unit : str
        Unit, empty for a plain number.
    digits : int
        Decimals shown.
    rising : str
        What a higher value means.
    definition : str
        How it is computed.
    source : str
        Where the definition comes from.
    """

    key: str
    label: str
    unit: str
    digits: int
    rising: str
    definition: str
    source: str


METRICS: tuple[Metric, ...] = (
    Metric(
        "brightness_hz",
        "Brightness",
        "Hz",
        0,
        "brighter",
        "Power-weighted spectral centroid, 80 Hz to 10 kHz, noise print subtracted",
        "common practice",
    ),
    Metric(
        "tilt_db_per_octave",
        "Tilt",
        "dB/oct",
        2,
        "more treble",
        "Slope of a straight line through the third-octave levels, 100 Hz to 5 kHz, "
        "noise print subtracted",
        "bands: IEC 61260-1; slope: common practice",
    ),
    Metric(
        "body_db",
        "Body 80-200 Hz",
        "dB",
        1,
        "more body",
        "Power from 80 to 200 Hz against the whole (20 Hz to 20 kHz), noise "
        "print subtracted",
        "band: common practice",
    ),
    Metric(
        "mud_db",
        "Mud 200-400 Hz",
        "dB",
        1,
        "more low mids",
        "Power from 200 to 400 Hz against the whole (20 Hz to 20 kHz), noise "
        "print subtracted",
        "band: common practice",
    ),
    Metric(
        "presence_db",
        "Presence 2.5-5 kHz",
        "dB",
        1,
        "more presence",
        "Power from 2.5 to 5 kHz against the whole (20 Hz to 20 kHz), noise "
        "print subtracted",
        "band: common practice",
    ),
    Metric(
        "fizz_db",
        "Fizz 5.5-10 kHz",
        "dB",
        1,
        "more fizz",
        "Power from 5.5 to 10 kHz against the whole (20 Hz to 20 kHz), noise "
        "print subtracted",
        "band: common practice",
    ),
    Metric(
        "crest_db",
        "Crest",
        "dB",
        1,
        "more peaks",
        "Sample peak of the whole file against RMS while the DI plays",
        "IEC 60268-1 crest factor",
    ),
    Metric(
        "plr_db",
        "Peak to loudness",
        "dB",
        1,
        "more peaks",
        "True peak minus integrated loudness, both of the whole file",
        "EBU R 128 terms",
    ),
    Metric(
        "lra_lu",
        "Loudness range",
        "LU",
        1,
        "wider dynamics",
        "Loudness range of the whole file; not stable under 60 s of audio",
        "EBU Tech 3342",
    ),
    Metric(
        "noise_dbfs",
        "Noise",
        "dBFS",
        1,
        "noisier",
        "Median level of frames of 50 ms in the DI's silences, digital silence left "
        "out, after the gain that levels the capture",
        "common practice",
    ),
    Metric(
        "hum_db",
        "Hum",
        "dB",
        1,
        "more hum",
        "Mains family (50 or 60 Hz and harmonics) in the DI's silences against the "
        "music, after gain",
        "common practice",
    ),
    Metric(
        "linear_share",
        "Linear share",
        "",
        3,
        "cleaner",
        "Power explained by the best linear filter of the DI, 1 = all of it",
        "coherent output power, Bendat & Piersol",
    ),
    Metric(
        "hold_db",
        "Hold",
        "dB",
        1,
        "sustain held up",
        "How much less a note falls from attack (0 to 100 ms) to sustain (200 to "
        "400 ms) than in the DI",
        "our own definition",
    ),
    Metric(
        "compression_db_per_db",
        "Compression slope",
        "dB/dB",
        2,
        "less compressed",
        "Slope of the capture's level against the DI's level over frames of 50 ms that "
        "are 10 dB above the noise in the DI's silences",
        "common practice",
    ),
)

METRIC_KEYS: tuple[str, ...] = tuple(metric.key for metric in METRICS)
