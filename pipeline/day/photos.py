"""Photos for the printed sheet: small enough to keep, without what the camera wrote.

The only owner of Pillow. A photo is scaled to what paper shows and written anew, so
that place and time of the camera's own data stay behind.
"""

import base64
import io
import warnings
from dataclasses import dataclass
from pathlib import Path

from PIL import Image, ImageOps

LONGEST_SIDE = 1600
"""Pixels: 88 mm on paper at 460 dots an inch."""
QUALITY = 82
LARGEST_BYTES = 80_000_000
READABLE = "JPEG, PNG, WebP, GIF or TIFF"


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo on a sheet, or why it is not there.

    Parameters
    ----------
    caption : str
        What it belongs to, and its file.
    data : str or None
        As a data address; None where it cannot be shown.
    trouble : str
        Why not.
    private : bool
        Whether it stands among private keys.
    """

    caption: str
    data: str | None
    trouble: str = ""
    private: bool = False


def read_photo(path: Path, caption: str, *, private: bool = False) -> Photo:
    """Read a photo and make it fit for paper.

    Parameters
    ----------
    path : Path
        The file.
    caption : str
        What it belongs to.
    private : bool
        Whether it stands among private keys.

    Returns
    -------
    Photo
        Upright, at most 1600 pixels long; with the trouble where it cannot be read.
    """
    said = f"{caption}: {path.name}"
    try:
        if not path.is_file():
            return Photo(said, None, "not found", private)
        if path.stat().st_size > LARGEST_BYTES:
            return Photo(said, None, "larger than 80 MB", private)
        return Photo(said, _embedded(path), "", private)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return Photo(said, None, f"cannot be read; save it as {READABLE}", private)


def _embedded(path: Path) -> str:
    with warnings.catch_warnings():
        # A very large photo is no reason to print anything: it is scaled down.
        warnings.simplefilter("ignore", Image.DecompressionBombWarning)
        with Image.open(path) as opened:
            picture = ImageOps.exif_transpose(opened).convert("RGB")
    picture.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    made = io.BytesIO()
    picture.save(made, "JPEG", quality=QUALITY, optimize=True)
    text = base64.b64encode(made.getvalue()).decode("ascii")
    return f"data:image/jpeg;base64,{text}"
