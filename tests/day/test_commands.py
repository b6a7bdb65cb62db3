"""The commands, as a person calls them."""

import base64
import io
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest
import soundfile
import typer
from PIL import ExifTags, Image
from typer.testing import CliRunner

from pipeline.day.commands import add_commands
from pipeline.day.drawing import draw_front, draw_side, place_mm
from pipeline.errors import ReampsError
from pipeline.models.manifest import Speaker
from pipeline.models.record import Place
from tests.day.folders import RATE, plucks

app = typer.Typer()
add_commands(app)
runner = CliRunner()

MANIFEST = """\
format = 1 # ours
[session]
name = "Shed <one>"
private = { fee = "agreed" }
[di]
file = "di.wav"
[cabinet.box]
height_mm = 300
speakers = [
  { id = "left", x_mm = 160, y_mm = 200 },
  { id = "right", x_mm = 500, y_mm = 200 },
]
[setup.low]
cabinet = "box"
amp = { gain = 4, master = 6.5 }
photo = "p.png"
[mic.rib]
type = "ribbon"
private = { serial = 12 }
[[capture]]
id = "a"
file = "a.wav" # kept
pass = "p01"
setup = "low"
mic = "rib"
speaker = "right"
offset_mm = 40
distance_mm = 25
angle_deg = 30
"""


@pytest.fixture
def manifest(tmp_path: Path) -> Path:
    path = tmp_path / "session.toml"
    path.write_text(MANIFEST, encoding="utf-8")
    (tmp_path / "p.png").write_bytes(
        base64.b64decode(
            "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAQAAAC1HAwCAAAAC0lEQVR42mNkYAAAAAYAAjCB0C8A"
            "AAAASUVORK5CYII="
        )
    )
    return path


def test_a_sheet_goes_there_and_back(manifest: Path, tmp_path: Path) -> None:
    csv = tmp_path / "night.csv"
    for options in ([], ["--semicolons"]):
        made = runner.invoke(app, ["sheet", str(manifest), "-o", str(csv), *options])
        assert made.exit_code == 0, made.output
        back = runner.invoke(app, ["sheet", str(csv), "-o", str(manifest)])
        assert back.exit_code == 0, back.output
        assert manifest.read_text(encoding="utf-8") == MANIFEST


def test_a_manifests_own_sheet_goes_out_and_is_not_replaced(
    manifest: Path, tmp_path: Path
) -> None:
    night, copy = tmp_path / "night.csv", tmp_path / "copy.csv"
    text = manifest.read_text(encoding="utf-8")
    runner.invoke(app, ["sheet", str(manifest), "-o", str(night)])
    head = text[: text.index("[[capture]]")].replace(" # ours", '\ntakes = "night.csv"')
    manifest.write_text(head, encoding="utf-8")
    made = runner.invoke(app, ["sheet", str(manifest), "-o", str(copy)])
    assert made.exit_code == 0, made.output
    assert copy.read_bytes() == night.read_bytes()
    into = runner.invoke(app, ["sheet", str(copy), "-o", str(manifest)])
    assert "takes its captures from night.csv" in str(into.exception)
    onto = runner.invoke(app, ["sheet", str(manifest), "-o", str(night)])
    assert "own take sheet" in str(onto.exception)
    assert manifest.read_text(encoding="utf-8") == head


class Words(HTMLParser):
    """Collects what a reader sees."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: list[str] = []

    def handle_data(self, data: str) -> None:
        self.seen.append(data.strip())


def words(path: Path) -> list[str]:
    parser = Words()
    parser.feed(path.read_text(encoding="utf-8"))
    return parser.seen


def test_the_recall_sheet_has_everything_that_was_written(
    manifest: Path, tmp_path: Path
) -> None:
    page = tmp_path / "recall.html"
    assert runner.invoke(app, ["recall", str(manifest), "-o", str(page)]).exit_code == 0
    seen = words(page)
    for word in ("Shed <one>", "Amp gain", "6.5", "ribbon", "agreed", "12", "25", "a"):
        assert word in seen, word
    text = page.read_text(encoding="utf-8")
    assert text.count('class="private"') == 2
    assert text.count("data:image/jpeg;base64,") == 1
    assert "@page" in text


def test_a_clients_sheet_keeps_private_keys_private(
    manifest: Path, tmp_path: Path
) -> None:
    page = tmp_path / "recall.html"
    runner.invoke(app, ["recall", str(manifest), "-o", str(page), "--client"])
    assert "agreed" not in page.read_text(encoding="utf-8")
    assert "12" not in words(page)


def test_photos_come_from_everywhere_without_the_cameras_own_data(
    manifest: Path, tmp_path: Path
) -> None:
    # A phone's picture: turned on its side, with the place where it was taken.
    taken = Image.new("RGB", (3000, 2000), "navy")
    exif = taken.getexif()
    exif[ExifTags.Base.Orientation] = 6
    exif[ExifTags.Base.ImageDescription] = "back alley 7"
    taken.save(tmp_path / "mic.jpg", exif=exif)
    (tmp_path / "no.heic").write_bytes(b"unknown")
    text = manifest.read_text(encoding="utf-8")
    text = text.replace('type = "ribbon"', 'type = "ribbon"\nphoto = "mic.jpg"')
    text = text.replace("distance_mm = 25", 'distance_mm = 25\nphoto = "gone.jpg"')
    text = text.replace('fee = "agreed"', 'fee = "agreed", photos = ["no.heic"]')
    manifest.write_text(text, encoding="utf-8")
    page = tmp_path / "recall.html"
    made = runner.invoke(app, ["recall", str(manifest), "-o", str(page)])
    assert made.exit_code == 0, made.output
    assert "a: gone.jpg: not found" in made.output
    assert "no.heic: cannot be read; save it as JPEG" in made.output
    shown = re.findall(r"data:image/jpeg;base64,([^\"]*)", page.read_text())
    pictures = [Image.open(io.BytesIO(base64.b64decode(data))) for data in shown]
    # Upright, scaled to 1600 pixels, and nothing of the alley.
    assert sorted(p.size for p in pictures) == [(1, 1), (1067, 1600)]
    assert not any(picture.getexif() for picture in pictures)
    made = runner.invoke(app, ["recall", str(manifest), "-o", str(page), "--client"])
    assert "no.heic" not in page.read_text()


def test_photos_of_a_run_lie_where_one_says(manifest: Path, tmp_path: Path) -> None:
    folder = tmp_path / "photos"
    folder.mkdir()
    (tmp_path / "p.png").rename(folder / "p.png")
    page = tmp_path / "recall.html"
    missing = runner.invoke(app, ["recall", str(manifest), "-o", str(page)])
    assert "p.png: not found" in missing.output
    told = ["recall", str(manifest), "-o", str(page), "--photos", str(folder)]
    assert "not found" not in runner.invoke(app, told).output
    assert "data:image/jpeg" in page.read_text()


def test_mics_are_drawn_where_they_stand() -> None:
    speakers = [
        Speaker(id="left", diameter_mm=300.0),
        Speaker(id="right", diameter_mm=300.0, x_mm=400.0),
    ]
    assert place_mm(Place(speaker="right", x_mm=-20, y_mm=30), speakers) == (380, 30)
    assert place_mm(Place(speaker="left", offset_mm=45), speakers) == (45.0, 0.0)
    # A cap is 0.26 of its speaker across.
    word = Place(speaker="left", position="Cap edge")
    assert place_mm(word, speakers) == pytest.approx((39.0, 0.0))
    assert place_mm(Place(speaker="left", position="somewhere"), speakers) is None
    front = draw_front(
        {"speakers": [s.model_dump() for s in speakers]},
        [("m", Place(speaker="left", x_mm=0, y_mm=0))],
    )
    # One scale in both directions: the dot lies on the cap of the first speaker.
    assert (front.dots[0].x, front.dots[0].y) == (front.cones[0].x, front.cones[0].y)
    side = draw_side(
        [("far", Place(distance_mm=400)), ("near", Place(distance_mm=100))]
    )
    # Square-root scale: four times the distance is drawn twice as far.
    assert [m.x - 30 for m in side.mics] == [75.0, 150.0]


TWO = {"speakers": [{"id": "left"}, {"id": "right", "x_mm": 400}]}


@pytest.mark.parametrize(
    "place",
    [
        Place(offset_mm=45),
        Place(position="cap edge"),
        Place(speaker="middle", offset_mm=45),
        Place(speaker="left", x_mm=20),
        Place(speaker="left", y_mm=20),
    ],
)
def test_a_place_that_is_not_whole_is_said_and_not_drawn(place: Place) -> None:
    front = draw_front(TWO, [("a", place)])
    assert front.dots == ()
    assert front.said.startswith("Not drawn, as its speaker or its spot")
    assert front.said.endswith(": a.")


def test_half_a_place_does_not_pass_for_one() -> None:
    # x alone is no place; the word stands beside it, and is said to be all there is.
    front = draw_front(TWO, [("a", Place(speaker="left", x_mm=90, position="cap"))])
    assert (front.dots[0].x, front.dots[0].y) == (front.cones[0].x, front.cones[0].y)
    assert front.said == "By its word alone: a."


def test_without_a_cabinet_the_named_speakers_are_drawn() -> None:
    places = [("a", Place(speaker="b", offset_mm=0)), ("c", Place(offset_mm=0))]
    assert [cone.name for cone in draw_front(None, places).cones] == ["b"]
    assert len(draw_front(None, places).dots) == 2
    places.append(("d", Place(speaker="e", offset_mm=0)))
    front = draw_front(None, places)
    assert [cone.name for cone in front.cones] == ["b", "e"]
    assert [(dot.name, dot.x) for dot in front.dots] == [
        ("a", front.cones[0].x),
        ("d", front.cones[1].x),
    ]
    assert front.said.endswith(": c.")


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ([], "the DI -8.0, markers -8.0, the sweep -8.0."),
        (["--sweep-level", "-1"], "the DI -8.0, markers -8.0, the sweep -1.0."),
        (["--marker-level=-3", "--no-sweep"], "the DI -8.0, markers -3.0."),
    ],
)
def test_the_cautions_tell_the_levels_that_are_played(
    tmp_path: Path, options: list[str], told: str
) -> None:
    # The DI's largest sample is 0.4: 20 log10(0.4) = -7.96 dBFS.
    soundfile.write(tmp_path / "di.wav", plucks(1, 5.0), RATE)
    asked = ["playout", str(tmp_path / "di.wav"), "-o", str(tmp_path / "o.wav")]
    made = runner.invoke(app, [*asked, *options])
    assert f"Turn the amplifier down first. Peaks in dBFS: {told}\n" in made.output


@pytest.mark.parametrize("rate", ["0", "-1", "7999", "384001", "1000000000"])
def test_a_rate_that_no_converter_has_is_refused(tmp_path: Path, rate: str) -> None:
    made = runner.invoke(app, ["responses", str(tmp_path), "--rate", rate])
    # Exit status 2: a mistake in the command line, as for every option.
    assert made.exit_code == 2, made.output
    assert "'--rate'" in made.output


@pytest.mark.parametrize("rate", ["8000", "384000"])
def test_the_outermost_rates_are_no_mistake(tmp_path: Path, rate: str) -> None:
    made = runner.invoke(app, ["responses", str(tmp_path), "--rate", rate])
    assert isinstance(made.exception, ReampsError)
    assert "no record here" in str(made.exception)


def test_playout_prints_its_cautions(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "di.wav", plucks(1, 5.0), RATE)
    out = tmp_path / "out.wav"
    made = runner.invoke(app, ["playout", str(tmp_path / "di.wav"), "-o", str(out)])
    assert made.exit_code == 0, made.output
    for word in ("down first", "rated load", "hearing", "local codes"):
        assert word in made.output
    assert (tmp_path / "out.playout.json").exists()


@pytest.mark.parametrize("name", ["other.wav", "other.csv", "other.html", "other.toml"])
@pytest.mark.parametrize("command", ["playout", "sheet", "back", "recall", "draft"])
def test_no_command_replaces_a_file_of_somebody_else(
    manifest: Path, tmp_path: Path, command: str, name: str
) -> None:
    di = tmp_path / "n" / "di.wav"
    di.parent.mkdir()
    soundfile.write(di, plucks(1, 4.0), RATE)
    sheet = tmp_path / "night.csv"
    runner.invoke(app, ["sheet", str(manifest), "-o", str(sheet)])
    theirs = tmp_path / name
    if theirs.suffix == ".wav":
        soundfile.write(theirs, plucks(2, 4.0), RATE)
    else:
        texts = {".csv": "a,b\n1,2\n", ".html": "<p>mine", ".toml": "[tool]\nx=1\n"}
        theirs.write_text(texts[theirs.suffix], encoding="utf-8")
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    asked = {
        "playout": ["playout", str(di)],
        "sheet": ["sheet", str(manifest)],
        "back": ["sheet", str(sheet)],
        "recall": ["recall", str(manifest)],
        "draft": ["draft", str(di.parent), "--di", str(di), "-j", "1"],
    }
    made = runner.invoke(app, [*asked[command], "-o", str(theirs)])
    assert isinstance(made.exception, ReampsError)
    assert theirs.name in str(made.exception)
    after = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert after == before


def test_help_comes_without_the_heavy_libraries() -> None:
    code = (
        "import sys, typer; from pipeline.day.commands import add_commands; "
        "add_commands(typer.Typer()); "
        "print([m for m in ('numpy', 'tomlkit', 'watchfiles') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
