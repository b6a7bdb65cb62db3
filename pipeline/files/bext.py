"""The broadcast extension chunk of a WAV file, version 2.

EBU Tech 3285 section 2.3 (layout) and 2.4 (loudness integers), EBU R 98 for the
coding history. Loudness is stored in hundredths, rounded half away from zero;
the rounding works on the decimal digits of the value, because -22.645 has no
exact binary form.
"""

import struct
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from pipeline.files.names import ascii_text

FIXED_BYTES = 602
UNUSED = 0x7FFF
MOST_HUNDREDTHS = 9_999
LAYOUT = struct.Struct("<256s32s32s10s8sQH64s5h180s")
LOUDNESS_VERSION = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class BextFields:
    """What the chunk says.

    Parameters
    ----------
    description : str
        At most 256 ASCII characters are stored; accents are dropped, other
        characters spelt out or replaced by ``?``.
    originator, originator_reference : str
        At most 32 ASCII characters each.
    origination_date, origination_time : str
        ``yyyy-mm-dd`` and ``hh-mm-ss``, or empty.
    time_reference_samples : int
        First sample, counted from midnight at the file's own rate; 64 bits.
    loudness_value_lufs, loudness_range_lu : float or None
        Integrated loudness and loudness range.
    max_true_peak_dbtp, max_momentary_lufs, max_short_term_lufs : float or None
        Maxima. None, and what does not fit the field (levels beyond +-99.99,
        a negative range), is stored as unused.
    coding_history : tuple of str
        Lines in the form of EBU R 98, without their line ends.
    """

    description: str = ""
    originator: str = ""
    originator_reference: str = ""
    origination_date: str = ""
    origination_time: str = ""
    time_reference_samples: int = 0
    loudness_value_lufs: float | None = None
    loudness_range_lu: float | None = None
    max_true_peak_dbtp: float | None = None
    max_momentary_lufs: float | None = None
    max_short_term_lufs: float | None = None
    coding_history: tuple[str, ...] = ()


def hundredths(level: float | None, *, signed: bool = True) -> int:
    """Round a level to the integer that the chunk stores.

    Parameters
    ----------
    level : float or None
        LUFS, LU or dBTP.
    signed : bool
        False for the loudness range, which has no negative values.

    Returns
    -------
    int
        Hundredths, ties away from zero (Tech 3285 section 2.4); 7FFFh where the
        level is None or does not fit.

    Raises
    ------
    ValueError
        When the level is not finite.
    """
    if level is None:
        return UNUSED
    exact = Decimal(repr(float(level)))
    if not exact.is_finite():
        msg = f"expected a finite level or None, found {level}"
        raise ValueError(msg)
    whole = int((exact * 100).to_integral_value(ROUND_HALF_UP))
    least = -MOST_HUNDREDTHS if signed else 0
    return whole if least <= whole <= MOST_HUNDREDTHS else UNUSED


def coding_history_line(sample_rate_hz: int, text: str) -> str:
    """Describe a mono 24-bit file in one line of coding history.

    Parameters
    ----------
    sample_rate_hz : int
        Sample rate in Hz.
    text : str
        Free text; its commas become semicolons, as EBU R 98 asks for none.

    Returns
    -------
    str
        For instance ``A=PCM,F=48000,W=24,M=mono,T=aligned``.
    """
    free = ascii_text(text).replace(",", ";")
    return f"A=PCM,F={sample_rate_hz},W=24,M=mono,T={free}"


def _field(text: str, size: int) -> bytes:
    return ascii_text(text).encode("ascii")[:size]


def build_bext(fields: BextFields) -> bytes:
    """Make the body of the chunk, version 2.

    Parameters
    ----------
    fields : BextFields
        What to say.

    Returns
    -------
    bytes
        602 bytes and the coding history, ended by a NUL where its length is
        odd: libsndfile overlooks the pad byte of an odd chunk in the 64-bit
        form. Equal fields give equal bytes.

    Raises
    ------
    ValueError
        When the time reference does not fit 64 bits or a level is not finite.
    """
    if not 0 <= fields.time_reference_samples < 2**64:
        msg = f"time reference {fields.time_reference_samples} does not fit 64 bits"
        raise ValueError(msg)
    fixed = LAYOUT.pack(
        _field(fields.description, 256),
        _field(fields.originator, 32),
        _field(fields.originator_reference, 32),
        _field(fields.origination_date, 10),
        _field(fields.origination_time, 8),
        fields.time_reference_samples,
        LOUDNESS_VERSION,
        b"",
        hundredths(fields.loudness_value_lufs),
        hundredths(fields.loudness_range_lu, signed=False),
        hundredths(fields.max_true_peak_dbtp),
        hundredths(fields.max_momentary_lufs),
        hundredths(fields.max_short_term_lufs),
        b"",
    )
    lines = (ascii_text(line) + "\r\n" for line in fields.coding_history)
    history = "".join(lines).encode("ascii")
    return fixed + history + b"\0" * (len(history) & 1)


def _text(raw: bytes) -> str:
    return raw.split(b"\0", 1)[0].decode("ascii", "replace").rstrip()


def _level(whole: int, version: int, *, signed: bool = True) -> float | None:
    least = -MOST_HUNDREDTHS if signed else 0
    if version < LOUDNESS_VERSION or not least <= whole <= MOST_HUNDREDTHS:
        return None
    return whole / 100


def parse_bext(body: bytes) -> BextFields:
    """Read the body of a chunk of version 0, 1 or 2.

    Parameters
    ----------
    body : bytes
        The chunk without its head.

    Returns
    -------
    BextFields
        Loudness is None before version 2, and where the stored value is unused
        or outside of the range that Tech 3285 allows.

    Raises
    ------
    ValueError
        When the body is shorter than its fixed part.
    """
    if len(body) < FIXED_BYTES:
        msg = f"expected a bext chunk of {FIXED_BYTES} bytes or more, found {len(body)}"
        raise ValueError(msg)
    (
        *texts,
        time_reference,
        version,
        _,
        value,
        loudness_range,
        true_peak,
        momentary,
        short_term,
        _,
    ) = LAYOUT.unpack_from(body)
    description, originator, reference, date, time = (_text(raw) for raw in texts)
    history = _text(body[FIXED_BYTES:])
    return BextFields(
        description=description,
        originator=originator,
        originator_reference=reference,
        origination_date=date,
        origination_time=time,
        time_reference_samples=time_reference,
        loudness_value_lufs=_level(value, version),
        loudness_range_lu=_level(loudness_range, version, signed=False),
        max_true_peak_dbtp=_level(true_peak, version),
        max_momentary_lufs=_level(momentary, version),
        max_short_term_lufs=_level(short_term, version),
        coding_history=tuple(line for line in history.splitlines() if line),
    )
