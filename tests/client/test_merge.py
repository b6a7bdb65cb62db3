"""Answers that come back: whole, altered, stale, hostile."""

import base64
import hashlib
import hmac
import json

import client_night
import pytest

from pipeline.client.answer import Answer
from pipeline.client.merge import as_pick, merge_picks, parse_answer, plain
from pipeline.client.seal import seal
from pipeline.client.sent import recall
from pipeline.errors import RecordError
from pipeline.files.picks import read_picks
from pipeline.models.picks import PicksBook
from pipeline.report.writing import write_page

IDS, RATE = client_night.IDS, client_night.RATE
TOKEN, KEY = "0123456789abcdef", "5a" * 32
NOW = "2031-05-18T10:00:00Z"


def answer(key=KEY, **changes):
    found = {
        "format": 1,
        "shortlist": TOKEN,
        "by": "Ash",
        "saved": "2031-05-18T09:00:00Z",
        "blind": True,
        "order": ["2", "1"],
        "comments": [{"option": "2", "at_ms": 500, "text": "more bite here"}],
        **changes,
    }
    covered = [
        *(found[k] for k in ("format", "shortlist", "by", "saved", "blind", "order")),
        [[c.get(k) for k in ("option", "at_ms", "text")] for c in found["comments"]]
        if isinstance(found["comments"], list)
        else [],
    ]
    text = json.dumps(covered, ensure_ascii=False, separators=(",", ":"))
    found.setdefault(
        "seal",
        hmac.new(
            bytes.fromhex(key), text.encode("utf-8", "surrogatepass"), hashlib.sha256
        ).hexdigest(),
    )
    return found


def merge(night, found, now=NOW):
    raw = found if isinstance(found, bytes) else json.dumps(found).encode()
    return merge_picks(night, raw, source="picks.json", now=now)


@pytest.fixture
def sent(make, night, tmp_path):
    make(tmp_path / "page.html", seconds=2.0)
    return night


def test_seal_is_hmac_sha_256():
    # RFC 4231, test case 2: key "Jefe", "what do ya want for nothing?".
    found = seal("what do ya want for nothing?", b"Jefe".hex())
    assert found == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"


def test_merges_in_the_record_s_terms(sent):
    merged = merge(sent, answer())
    assert merged.new
    pick = read_picks(sent).picks[0]
    assert (pick.by, pick.merged, pick.blind) == ("Ash", NOW, True)
    assert [one.id for one in pick.order] == [IDS[1], IDS[0]]
    start = recall(sent, TOKEN).start_frame / RATE
    assert pick.comments[0].at_s == pytest.approx(start + 0.5, abs=1e-3)


def test_the_page_shows_it_at_once(sent):
    merged = merge(sent, answer())
    page = merged.page.read_text(encoding="utf-8")
    assert merged.page == sent / "index.html"
    assert "Ash" in page
    assert "18 May 2031, 10:00 UTC" in page
    assert f"{IDS[1]}</button> <span" in page
    assert "more bite here" in page
    merged.page.unlink()
    assert merge(sent, answer()).page.is_file()


def test_the_same_twice_changes_nothing(sent):
    merge(sent, answer())
    before = (sent / "picks.json").read_bytes()
    again = merge(sent, answer(), now="2031-05-19T10:00:00Z")
    assert not again.new
    assert (sent / "picks.json").read_bytes() == before


def test_the_file_and_the_message_of_one_answer_are_one(sent):
    merge(sent, answer())
    copied = answer(saved="2031-05-18T09:00:07Z")
    assert not merge(sent, copied).new
    # Back to the first choice after another one is an answer of its own.
    merge(sent, answer(order=["3"], saved="2031-05-18T09:10:00Z"))
    assert merge(sent, answer(saved="2031-05-18T09:20:00Z")).new
    assert len(read_picks(sent).picks) == 3


def test_a_later_answer_of_the_same_person_comes_last(sent):
    merge(sent, answer())
    merge(sent, answer(by="Rowan", order=["3"]))
    merge(sent, answer(by="ash", order=["1"], saved="2031-05-18T09:30:00Z"))
    book = read_picks(sent)
    assert len(book.picks) == 3
    assert [(p.by, p.order[0].id) for p in book.latest()] == [
        ("Rowan", IDS[2]),
        ("ash", IDS[0]),
    ]


def code(found):
    """The code of an answer, as the page packs it."""
    raw = json.dumps(found, ensure_ascii=False, separators=(",", ":")).encode()
    packed = base64.urlsafe_b64encode(raw).decode().rstrip("=")
    rows = "\n".join(packed[k : k + 60] for k in range(0, len(packed), 60))
    return f"[reamps-picks:\n{rows}]"


def remark(text, at_ms=500):
    return {"option": "2", "at_ms": at_ms, "text": text}


@pytest.mark.parametrize("wrap", ["{}", "> {}", "{}\r\n", "Hi!\n{}\nBye"])
def test_reads_a_message(sent, wrap):
    rows = code(answer()).split("\n")
    text = "\n".join(wrap.format(row) if ">" in wrap else row for row in rows)
    text = text if ">" in wrap else wrap.format(text)
    assert merge(sent, text.encode()).new


def test_a_code_in_a_comment_is_a_comment(sent):
    # In one line, as some programs paste it.
    inner = code(answer(by="inner", comments=[])).replace("\n", "")
    outer = answer(by="outer", comments=[remark(inner)])
    assert merge(sent, outer).pick.by == "outer"
    assert read_picks(sent).picks[0].comments[0].text == inner
    with pytest.raises(RecordError, match="no picks file"):
        merge(sent, json.dumps(outer).encode()[:-5])
    assert len(read_picks(sent).picks) == 1


def test_a_message_with_several_answers_is_refused(sent):
    inner, outer = (code(answer(by=by, comments=[])) for by in ("inner", "outer"))
    with pytest.raises(RecordError, match="codes of 2 answers"):
        merge(sent, f"0:00 B: {inner}\n\n{outer}".encode())
    assert not (sent / "picks.json").exists()
    # A reply that quotes the message holds one answer, twice.
    quoted = outer.replace("\n", "\n> ")
    assert merge(sent, f"Thanks!\n{outer}\n> {quoted}".encode()).pick.by == "outer"


@pytest.mark.parametrize("character", ["\x01", '"', "\u20ac", "\U0001f600"])
def test_reads_the_longest_answer_of_a_page(sent, character):
    # static/client.js: 200 comments of 2000 UTF-16 units, a name of 80, and the texts
    # ahead of the code; a mail program quotes the rows and ends them with two bytes.
    units = len(character.encode("utf-16-le")) // 2
    text, name = character * (2000 // units), character * (80 // units)
    found = answer(by=name, comments=[remark(text, 86_400_000)] * 200)
    saved = json.dumps(found, ensure_ascii=False, indent=1).encode() + b"\n"
    assert merge(sent, saved).new
    lines = [name, f"From {name}", f"1. {name}", f"2. {name}"]
    lines += [f"1440:00 {name}: {text}"] * 200
    lines += ["", "Please leave the code below as it is:", code(found)]
    message = "".join(f"> {line}\r\n" for line in "\n".join(lines).split("\n"))
    assert not merge(sent, message.encode()).new


@pytest.mark.parametrize(
    "change",
    [
        {"order": ["1", "2"]},
        {"by": "Somebody else"},
        {"comments": []},
        {"saved": "2031-05-18T09:00:01Z"},
        {"blind": False},
        {"seal": "0" * 64},
    ],
)
def test_refuses_what_was_altered(sent, change):
    found = {**answer(), **change}
    with pytest.raises(RecordError, match="forged"):
        merge(sent, found)
    assert not (sent / "picks.json").exists()


def test_refuses_another_key_and_another_folder(sent):
    with pytest.raises(RecordError, match="forged"):
        merge(sent, answer(key="00" * 32))
    with pytest.raises(RecordError, match="not sent from"):
        merge(sent, answer(shortlist="f" * 16))


def test_refuses_what_became_stale(sent):
    record = json.loads((sent / "record.json").read_text(encoding="utf-8"))
    record["captures"][1]["output"]["sha256"] = "1" * 64
    client_night.keep(sent, record)
    with pytest.raises(RecordError, match=f"stale: {IDS[1]}"):
        merge(sent, answer())
    record["captures"][1]["output"] = None
    client_night.keep(sent, record)
    with pytest.raises(RecordError, match="stale"):
        merge(sent, answer())


def test_stale_picks_are_merged_once_the_sounds_are_those_of_then(sent):
    then = json.loads((sent / "record.json").read_text(encoding="utf-8"))
    now = json.loads(json.dumps(then))
    now["captures"][1]["output"]["sha256"] = "1" * 64
    client_night.keep(sent, now)
    with pytest.raises(RecordError, match="run it with those of then, merge these"):
        merge(sent, answer())
    client_night.keep(sent, then)
    merged = merge(sent, answer())
    assert merged.new
    assert "made again since" not in merged.page.read_text(encoding="utf-8")
    client_night.keep(sent, now)
    assert len(read_picks(sent).picks) == 1
    assert "made again since" in write_page(sent).read_text(encoding="utf-8")


def test_other_captures_may_change(sent):
    record = json.loads((sent / "record.json").read_text(encoding="utf-8"))
    record["captures"][5]["output"]["sha256"] = "1" * 64
    client_night.keep(sent, record)
    assert merge(sent, answer()).new


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (b"", "no picks file"),
        (b"\xff\xfe\x00", "no picks file"),
        (b"[" * 100_000, "no picks file"),
        (b"9" * 10_000, "no picks"),
        (b'{"format":1}', "wrong at"),
        (b"null", "wrong at"),
        (b"x" * 4_800_001, "over"),
        (b"[reamps-picks:!!!]", "no picks file"),
        (b"[reamps-picks:AAAA]", "no picks file"),
        (answer(format=2), "wrong at format"),
        (answer(order=[1]), "wrong at order"),
        (answer(order=["9"]), "not on the page"),
        (answer(order=["1", "1"]), "twice"),
        (answer(order=[], comments=[]), "empty"),
        (answer(order=["<b>"]), "wrong at order|not on the page"),
        (answer(by="x" * 81), "wrong at by"),
        (answer(blind="yes"), "wrong at blind"),
        (answer(saved="now"), "wrong at saved"),
        (answer(shortlist="../../../../x"), "wrong at shortlist"),
        (answer(comments=[{"option": "1", "at_ms": -1, "text": "x"}]), "at_ms"),
        (answer(comments=[{"option": "1", "at_ms": 1e9, "text": "x"}]), "at_ms"),
        (answer(comments=[{"option": "1", "at_ms": 1, "text": "x" * 2001}]), "text"),
        (answer(comments=[{"option": "1", "at_ms": 1, "text": ""}]), "text"),
        (answer(comments=[{"option": "1", "at_ms": 1, "text": "x"}] * 201), "comm"),
        ({**answer(), "extra": 1}, "wrong at extra"),
        (answer(by="\ud800"), "no picks|forged"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_refuses_what_is_hostile(sent, found, words):
    with pytest.raises(RecordError, match=words):
        merge(sent, found)
    assert not (sent / "picks.json").exists()


def test_hostile_text_is_text(sent):
    bad = "<script>alert(1)</script>\x1b[31m\u202e\n=1+1"
    merge(sent, answer(by=bad, comments=[{"option": "1", "at_ms": 1, "text": bad}]))
    pick = read_picks(sent).picks[0]
    assert pick.by == pick.comments[0].text == "<script>alert(1)</script>[31m =1+1"
    assert plain("\x00\u2028a\tb") == "a b"


def test_text_of_control_characters_alone_is_kept_as_none(sent):
    found = Answer.model_validate_json(
        json.dumps(
            answer(by="\x1b", comments=[{"option": "1", "at_ms": 1, "text": "\x1b"}])
        )
    )
    pick = as_pick(found, recall(sent, TOKEN), NOW)
    assert (pick.by, pick.comments[0].text) == ("", "(no text)")


def test_a_damaged_book_is_not_overwritten(sent):
    (sent / "picks.json").write_text('{"format": 2}', encoding="utf-8")
    with pytest.raises(RecordError, match="format 1"):
        merge(sent, answer())
    assert (sent / "picks.json").read_text(encoding="utf-8") == '{"format": 2}'


@pytest.mark.parametrize("number", ["1" * 400, "1e999", "NaN", "-1", "0.5"])
def test_a_damaged_memory_of_what_was_sent_is_refused(sent, number):
    path = sent / "shortlists" / f"{TOKEN}.json"
    kept = json.loads(path.read_text(encoding="utf-8"))
    start = f'"start_frame": {kept["start_frame"]}'
    text = path.read_text(encoding="utf-8")
    assert start in text
    path.write_text(text.replace(start, f'"start_frame": {number}'), encoding="utf-8")
    with pytest.raises(RecordError, match=f"{TOKEN}.json: damaged"):
        merge(sent, answer())
    assert not (sent / "picks.json").exists()


def test_no_book_is_an_empty_one(night):
    assert read_picks(night) == PicksBook(format=1)


def test_a_byte_order_mark_is_no_harm():
    raw = "\ufeff".encode() + json.dumps(answer()).encode()
    assert parse_answer(raw, "x").by == "Ash"
