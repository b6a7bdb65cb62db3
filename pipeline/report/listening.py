"""Audio that a page opened from disk can decode: scripts that carry base64.

A browser forbids a page on disk to read its neighbours, but not to run them as
scripts. Each capture, blend and the DI gets one file, loaded when it is first heard:

    reamps_audio({"id": ..., "mime": ..., "rate": ..., "channels": 1, "frames": ...,
                  "data": "<base64>"});

The data is a whole audio file, of one channel (the backing track may have two), that
browsers decode without loss:
FLAC (`audio/flac`; about a quarter of the bytes) or WAV with 16-bit PCM
(`audio/wav`). Measured by tests/benchmarks/listening_formats.py.
"""

import base64
from pathlib import PurePosixPath

from pipeline.files.script import as_script

FOLDER = "listen"


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
    channels: int = 1,
) -> str:
    """Text of the script that carries one sound.

    Parameters
    ----------
    identity : str
        The output file that it stands for, as in the record: "audio/p01.wav".
    encoded : bytes
        A whole audio file.
    mime : str
        "audio/flac" or "audio/wav".
    rate : int
        Sample rate in Hz.
    frames : int
        Length in frames; the page refuses a sound that decodes to another length.
    channels : int
        1 or 2.

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
        "channels": channels,
        "frames": frames,
    }
    # Base64 needs no escape: megabytes are not searched for what they cannot hold.
    data = base64.b64encode(encoded).decode("ascii")
    head = as_script(payload).removesuffix("}")
    return f'reamps_audio({head},"data":"{data}"}});\n'
