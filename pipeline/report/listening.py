"""Audio that a page opened from disk can decode: scripts that carry samples.

A browser forbids a page on disk to read its neighbours, but not to run them as
scripts. Each capture, blend and the DI gets one file, loaded when it is first heard:

    reamps_audio({"id": ..., "mime": ..., "rate": ..., "channels": 1, "frames": ...,
                  "data": "..."});

The data of a run's files is one 16-bit sample a character (`audio/L16`), in a script in
UTF-16: that is as small as the samples themselves, and costs no more than to copy them
(base64 takes a third more room, and a tenth of a run's time). What is made less often
carries a whole audio file of one channel as base64 that browsers decode without loss:
FLAC (`audio/flac`; about a quarter of the bytes) or WAV with 16-bit PCM (`audio/wav`).
Measured by tests/benchmarks/listening_formats.py.
"""

import base64
from pathlib import PurePosixPath

import numpy as np
from numpy.typing import NDArray

from pipeline.files.script import as_script

FOLDER = "listen"
SHIFT = 0x6000
"""Added to a sample to make a character: silence is U+6000, and the characters that a
string may not hold as they are belong to samples above 30719 and about -24500."""
_PLAIN = (-SHIFT + 0x80, 0xD800 - SHIFT - 1)
"""Samples that are characters without further ado: U+0080 to U+D7FF."""


def listening_file(output_file: str) -> str:
    """Name of the script that carries an output file.

    Parameters
    ----------
    output_file : str
        Such as "audio/p01-bright.wav", relative to the page.

    Returns
    -------
    str
        Such as "listen/p01-bright.js", relative to the page.
    """
    stem = PurePosixPath(output_file.replace("\\", "/")).stem
    return f"{FOLDER}/{stem}.js"


def listening_script(
    identity: str,
    encoded: bytes,
    mime: str,
    *,
    rate: int,
    frames: int,
) -> str:
    """Text of the script that carries one sound.

    Parameters
    ----------
    identity : str
        The output file that it stands for, as in the record: "audio/p01.wav".
    encoded : bytes
        A whole audio file with one channel.
    mime : str
        "audio/flac" or "audio/wav".
    rate : int
        Sample rate in Hz.
    frames : int
        Length in frames; the page refuses a sound that decodes to another length.

    Returns
    -------
    str
        JavaScript of one call; no text of the input can end it.

    Raises
    ------
    ValueError
        If the type is another one, or rate or frames is not positive.
    """
    if mime not in {"audio/flac", "audio/wav"}:
        msg = f"audio travels as audio/flac or audio/wav, not {mime!r}"
        raise ValueError(msg)
    if rate <= 0 or frames <= 0:
        msg = f"rate and frames must be positive, not {rate} and {frames}"
        raise ValueError(msg)
    payload = {
        "id": identity,
        "mime": mime,
        "rate": rate,
        "channels": 1,
        "frames": frames,
    }
    # Base64 needs no escape: megabytes are not searched for what they cannot hold.
    data = base64.b64encode(encoded).decode("ascii")
    head = as_script(payload).removesuffix("}")
    return f'reamps_audio({head},"data":"{data}"}});\n'


def listening_samples(
    identity: str, samples: NDArray[np.int16], *, rate: int
) -> memoryview:
    """Script that carries the samples of one sound, one a character.

    Parameters
    ----------
    identity : str
        The output file that it stands for, as in the record: "audio/p01.wav".
    samples : ndarray of int16, shape (frames,) or (frames, channels)
        One or more; channels travel side by side, frame by frame.
    rate : int
        Sample rate in Hz, above 0.

    Returns
    -------
    memoryview
        Of bytes: JavaScript of one call in UTF-16, little-endian, with a byte order
        mark: a browser goes by that before anything else (Encoding Standard, "decode").
    """
    payload = {
        "id": identity,
        "mime": "audio/L16",
        "rate": rate,
        "channels": 1 if samples.ndim == 1 else samples.shape[1],
        "frames": len(samples),
    }
    head = f'\ufeffreamps_audio({as_script(payload).removesuffix("}")},"data":"'
    script = _around(_units(head), samples.reshape(-1), _units('"});\n'))
    return script.view(np.uint8).data


def _around(
    head: NDArray[np.uint16], samples: NDArray[np.int16], end: NDArray[np.uint16]
) -> NDArray[np.uint16]:
    """One UTF-16 unit a sample, or six of an escape where it may not stand as it is."""
    low, high = _PLAIN
    if samples.min() < low or samples.max() > high:
        places = np.flatnonzero((samples < low) | (samples > high))
        units = _escaped(samples.view(np.uint16) + np.uint16(SHIFT), places)
        return np.concatenate((head, units.astype("<u2", copy=False), end))
    # The samples become characters where they shall lie: there are millions of them.
    script = np.empty(head.size + samples.size + end.size, dtype="<u2")
    script[: head.size], script[-end.size :] = head, end
    inner = script[head.size : head.size + samples.size]
    np.add(samples.view(np.uint16), np.uint16(SHIFT), out=inner)
    return script


def _units(text: str) -> NDArray[np.uint16]:
    """Code units of a text: two for a character beyond U+FFFF."""
    return np.frombuffer(text.encode("utf-16-le"), dtype="<u2")


def _escaped(
    units: NDArray[np.uint16], places: NDArray[np.int64]
) -> NDArray[np.uint16]:
    digits = np.frombuffer(b"0123456789abcdef", dtype=np.uint8).astype(np.uint16)
    value = units[places]
    escape = np.empty((len(places), 6), dtype=np.uint16)
    escape[:, :2] = (ord("\\"), ord("u"))
    for digit in range(4):
        escape[:, 2 + digit] = digits[(value >> (12 - 4 * digit)) & 15]
    # The last digit takes the sample's own place; five go before it.
    units[places] = escape[:, 5]
    return np.insert(units, np.repeat(places, 5), escape[:, :5].ravel())
