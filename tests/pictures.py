"""The README's pictures: `python -m tests.pictures` runs the demo and takes them.

Needs chromium. Each picture is a palette PNG under 100 kB in .readme/.
"""

import io
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

ROOT = Path(__file__).parent.parent
FOLDER = ROOT / ".readme"
LARGEST_BYTES = 100_000
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--virtual-time-budget=4000",
)
SHOTS = {
    "page.png": (1280, 9000, (0, 0, 1280, 1000)),
    "phone.png": (390, 9000, (0, 0, 390, 1400)),
}


def take(page: Path, size: tuple[int, int], work: Path) -> Image.Image:
    """One screenshot of a page."""
    picture = work / "shot.png"
    command = [
        shutil.which("chromium") or "chromium",
        *FLAGS,
        f"--user-data-dir={work / 'profile'}",
        f"--screenshot={picture}",
        f"--window-size={size[0]},{size[1]}",
        page.as_uri(),
    ]
    subprocess.run(command, check=True, capture_output=True)
    return Image.open(io.BytesIO(picture.read_bytes())).convert("RGB")


def keep(picture: Image.Image, path: Path) -> None:
    """Write a picture with as many colours as the size allows."""
    for colours in (128, 64, 32, 16):
        buffer = io.BytesIO()
        picture.quantize(colours).save(buffer, "PNG", optimize=True)
        if buffer.tell() < LARGEST_BYTES:
            path.write_bytes(buffer.getvalue())
            return
    sys.exit(f"{path.name} does not fit into {LARGEST_BYTES} bytes")


def main() -> None:
    """Run the demo and take the pictures."""
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        demo = work / "demo"
        command = [sys.executable, "-m", "pipeline", "demo", demo, "--quiet"]
        subprocess.run(command, check=True, cwd=ROOT, stdout=subprocess.DEVNULL)
        page = demo / "report" / "index.html"
        for file, (width, height, box) in SHOTS.items():
            keep(take(page, (width, height), work).crop(box), FOLDER / file)


if __name__ == "__main__":
    main()
