"""What is on the page, and above all what is not."""

import base64
import html
import io
import json
import re

import client_night
import numpy as np
import pytest
import soundfile

from pipeline.client.choose import middle, propose
from pipeline.client.excerpt import FLAC
from pipeline.client.sent import recall
from pipeline.client.shortlist import Wishes
from pipeline.client.tones import Tone
from pipeline.dsp.loudness import loudness_cells
from pipeline.errors import AudioError, OutputError, RecordError
from pipeline.files.store import read_record
from pipeline.models.record import Output

IDS, RATE = client_night.IDS, client_night.RATE
SOUND = re.compile(r'<script type="text/plain" id="sound-(\d)">([^<]*)</script>')


def payloads(page):
    text = page.read_text(encoding="utf-8")
    return {key: base64.b64decode(data) for key, data in SOUND.findall(text)}


@pytest.mark.parametrize("wishes", [{}, {"pcm": True}, {"folder": True}, {"ids": ()}])
def test_nothing_private_in_any_byte(make, night, tmp_path, wishes):
    out = tmp_path / ("sent" if "folder" in wishes else "sent.html")
    made = make(out, reference=night / "audio" / f"{IDS[1]}.wav", **wishes)
    sent = [made.page] if out.is_file() else list(out.rglob("*"))
    files = [path for path in sent if path.is_file()]
    content = b"".join(path.read_bytes() for path in files)
    audio = b"".join(payloads(made.page).values())
    for script in files:
        for data in re.findall(rb'"data":"([^"]+)"', script.read_bytes()):
            audio += base64.b64decode(data)
    assert len(audio) > 100_000
    for secret in (*client_night.SECRETS, *IDS, str(night), str(tmp_path)):
        for form in (secret, secret.lower(), secret.replace(" ", "_")):
            assert form.encode() not in content
            assert form.encode() not in audio
        assert base64.b64encode(secret.encode())[:-4] not in content
    # The record must hold all of them, or this test could not fail.
    record = (night / "record.json").read_bytes()
    assert all(secret.encode() in record for secret in client_night.SECRETS)


def test_flac_carries_no_metadata_of_ours(make, tmp_path):
    # Metadata blocks of a FLAC stream (RFC 9639, section 8): stream info, and the
    # encoder's own name at most.
    made = make(tmp_path / "page.html")
    for data in payloads(made.page).values():
        assert data[:4] == b"fLaC"
        at, last, kinds = 4, False, []
        while not last:
            last, kind = bool(data[at] & 128), data[at] & 127
            size = int.from_bytes(data[at + 1 : at + 4], "big")
            body = data[at + 4 : at + 4 + size]
            kinds.append(kind)
            if kind == 4:
                vendor = int.from_bytes(body[:4], "little")
                assert body[4 + vendor :] == bytes(4)
            at += 4 + size
        assert set(kinds) <= {0, 1, 3, 4}


def test_sounds_are_cut_alike_and_equally_loud(make, night, tmp_path):
    made = make(tmp_path / "page.html", seconds=2.0)
    found = [
        soundfile.read(io.BytesIO(data))[0] for data in payloads(made.page).values()
    ]
    sent = recall(night, made.token)
    assert {len(sound) for sound in found} == {sent.frames} == {2 * RATE}
    assert abs(sent.start_frame / RATE - client_night.LIVELY[0]) <= 0.2
    levels = [loudness_cells(s, RATE).loudness().integrated_lufs for s in found]
    # The meter's own tolerance in EBU Tech 3341 is 0.1 LU.
    assert max(levels) - min(levels) < 0.1
    for sound, number in zip(found, range(3), strict=True):
        part = client_night.sounds()[number][sent.start_frame :][: sent.frames]
        assert np.corrcoef(sound, part)[0, 1] > 0.9999
    assert "liveliest" in made.cut


def test_fits_and_says_what_was_cut(make, tmp_path):
    assert Wishes().max_mb == 25.0  # what mail and messengers commonly take
    whole = make(tmp_path / "whole.html")
    assert whole.cut == ""
    size = (tmp_path / "whole.html").stat().st_size
    small = make(tmp_path / "small.html", max_mb=size * 0.75e-6)
    assert (tmp_path / "small.html").stat().st_size <= size * 0.75
    assert (tmp_path / "small.html").stat().st_size > size / 3
    assert "to fit" in small.cut
    assert small.cut in html.unescape(small.page.read_text(encoding="utf-8"))
    with pytest.raises(OutputError, match="--max-mb"):
        make(tmp_path / "none.html", max_mb=0.2, pcm=True)


def test_decoded_memory_is_bounded_for_a_phone(monkeypatch, make, tmp_path):
    # 4 bytes a sample of float32 (Web Audio API), three sounds.
    monkeypatch.setattr("pipeline.client.cut.DECODED_MB", 2.0)
    made = make(tmp_path / "page.html")
    assert made.decoded_mb <= 2.0
    assert "phone" in made.cut


def test_folder_has_a_script_a_sound(make, tmp_path):
    made = make(tmp_path / "new", folder=True)
    assert made.page.name == "index.html"
    assert sorted(p.name for p in (tmp_path / "new" / "listen").iterdir()) == [
        "1.js",
        "2.js",
        "3.js",
    ]
    assert not payloads(made.page)
    with pytest.raises(OutputError, match="not an empty folder"):
        make(tmp_path / "new", folder=True)


def test_replaces_no_page_that_is_there(make, night, tmp_path):
    (night / "index.html").write_text("the session's page", encoding="utf-8")
    earlier = make(tmp_path / "sent.html").page.read_bytes()
    link = tmp_path / "link.html"
    link.symlink_to(tmp_path / "absent.html")
    kept = sorted((night / "shortlists").iterdir())
    for out in (night / "index.html", tmp_path / "sent.html", link):
        with pytest.raises(OutputError, match=f"{out.name}: expected a new name"):
            make(out)
    assert (night / "index.html").read_text(encoding="utf-8") == "the session's page"
    assert (tmp_path / "sent.html").read_bytes() == earlier
    assert link.is_symlink()
    assert sorted((night / "shortlists").iterdir()) == kept


def test_a_folder_s_default_name_replaces_nothing(make, tmp_path):
    first = make(tmp_path).page
    assert first.parent == tmp_path
    with pytest.raises(OutputError, match="expected a new name"):
        make(tmp_path)


@pytest.mark.parametrize("folder", [True, False])
def test_a_name_that_no_disk_takes_is_refused(make, night, tmp_path, folder):
    # 255 bytes are the most of common file systems.
    with pytest.raises(OutputError, match="could not be written"):
        make(tmp_path / ("x" * 300 + ".html"), folder=folder)
    assert not (night / "shortlists").exists()


def test_proposes_by_character(make, tmp_path):
    # Truth by construction: tilts, and ever more drive from one to the next.
    made = make(tmp_path / "page.html", ids=())
    names = dict(zip((o.name for o in made.options), made.ids, strict=True))
    assert 3 <= len(names) <= 5
    assert names["Brightest"] == IDS[1]
    assert names["Darkest"] == IDS[2]
    assert names["Most driven"] == IDS[5]
    assert sum(bool(option.advice) for option in made.options) == 1


def test_a_tone_amid_the_others_is_not_called_different():
    # By hand, in dB: three corners of a triangle, and the one that is left inside it.
    corners = {"A": (0.0, 0.0), "B": (6.0, 0.0), "C": (3.0, 5.0), "D": (3.0, 2.0)}
    metrics = {"A": (900.0, 0.9), "B": (300.0, 0.8), "C": (500.0, 0.1), "D": (400, 0.5)}
    known = {
        id_: Tone(
            id=id_,
            output=Output(file=f"{id_}.wav", sha256="0" * 64, frames=1),
            metrics=dict(
                zip(("brightness_hz", "linear_share"), metrics[id_], strict=True)
            ),
            erb_db=levels,
            lufs=-23.0,
            proposable=True,
        )
        for id_, levels in corners.items()
    }
    found = propose(known, {}, None)
    assert [(one.tone.id, one.name) for one in found] == [
        ("A", "Brightest"),
        ("B", "Darkest"),
        ("C", "Most driven"),
        ("D", "Fourth"),
    ]
    assert middle([one.tone for one in found])[0] == "D"


def test_reference_leads_the_proposal(make, night, tmp_path):
    reference = night / "audio" / f"{IDS[4]}.wav"
    made = make(tmp_path / "page.html", ids=(), reference=reference)
    names = dict(zip((o.name for o in made.options), made.ids, strict=True))
    assert names["Closest to yours"] == IDS[4]
    assert "closest to your reference" in made.options[0].advice
    assert "mastered reference" in made.page.read_text(encoding="utf-8")


@pytest.mark.parametrize("recommend", [None, IDS[2]])
def test_the_page_says_of_each_tone_how_far_the_reference_lies(
    make, night, tmp_path, recommend
):
    # Truth by construction: the reference is the second of three tones.
    reference = night / "audio" / f"{IDS[1]}.wav"
    made = make(tmp_path / "page.html", reference=reference, recommend=recommend)
    text = html.unescape(made.page.read_text(encoding="utf-8"))
    away = [
        float(found)
        for found in re.findall(r"(\d+\.\d)\u00a0dB away from your reference\.", text)
    ]
    assert len(away) == 3
    assert away[1] == 0.0
    assert min(away[0], away[2]) > 1.0
    assert "the distance to it is a hint" in text
    # Nothing is said of an order, as the tones stand as they were named.
    assert "order by distance" not in text
    assert tuple(made.ids) == IDS[:3]


def test_names_notes_and_recommendation(make, tmp_path):
    made = make(
        tmp_path / "page.html",
        names={IDS[0]: "B2, darker"},
        notes={IDS[0]: "for the verse"},
        recommend=IDS[0],
    )
    first = made.options[0]
    assert (first.name, first.note) == ("B2, darker", "for the verse")
    assert first.advice == "Recommended by your engineer."
    assert re.search(r"\d.*dB.*Hz", first.told)


def test_sentence_holds_the_difference_to_the_others(make, tmp_path):
    made = make(tmp_path / "page.html")
    # By hand: presence -9.0 against the median of -15 and -21: 9.0 dB more.
    assert "9.0\u00a0dB more presence (2.5 to 5 kHz)" in made.options[1].told
    assert "1.8\u00a0kHz" in made.options[1].told


@pytest.mark.parametrize(
    ("wishes", "words"),
    [
        ({"ids": IDS[:2]}, "3 to 5 tones, 2 were named"),
        ({"ids": IDS[:1]}, "3 to 5 tones, 1 was named"),
        ({"ids": IDS}, "3 to 5"),
        ({"ids": ("secret-file-stem-O", *IDS[1:3])}, "did you mean"),
        ({"ids": (IDS[0], IDS[0], IDS[1])}, "twice"),
        ({"recommend": IDS[5]}, "not on the shortlist"),
        ({"names": {IDS[5]: "x"}}, "not on the shortlist"),
        ({"names": {IDS[0]: "A", IDS[1]: "a"}}, "share a name"),
        ({"names": {IDS[0]: "x" * 81}}, "1 to 80"),
        ({"title": "\x1b[2J"}, "printable"),
    ],
)
def test_refuses(make, night, tmp_path, wishes, words):
    with pytest.raises(RecordError, match=words):
        make(tmp_path / "page.html", **wishes)
    assert not (tmp_path / "page.html").exists()
    assert not (night / "shortlists").exists()


def test_refuses_audio_that_is_not_the_record_s(make, night, tmp_path):
    path = night / "audio" / f"{IDS[0]}.wav"
    raw = bytearray(path.read_bytes())
    raw[-1] ^= 1
    path.write_bytes(raw)
    with pytest.raises(RecordError, match="not what the record says"):
        make(tmp_path / "page.html")
    path.unlink()
    with pytest.raises(AudioError):
        make(tmp_path / "page.html")


def test_remembers_what_was_sent(make, night, tmp_path):
    made = make(tmp_path / "page.html")
    kept = json.loads((night / "shortlists" / f"{made.token}.json").read_text("utf-8"))
    now = {c.id: c.output.sha256 for c in read_record(night).captures if c.output}
    assert {o["id"]: o["sha256"] for o in kept["options"]} == {
        id_: now[id_] for id_ in IDS[:3]
    }
    assert made.options[0].mime == FLAC
