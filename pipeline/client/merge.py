"""Take a client's answer in: read it from a file or a message, check it, keep it."""

import base64
import binascii
import json
import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from pipeline.client.answer import LONGEST_COMMENT, MOST_COMMENTS, Answer
from pipeline.client.seal import is_sealed
from pipeline.client.sent import SentShortlist, changed, recall
from pipeline.errors import RecordError
from pipeline.files.hold import hold_folder
from pipeline.files.picks import read_picks, write_picks
from pipeline.files.store import read_record
from pipeline.models.picks import Comment, Heard, Named, Pick, PicksBook
from pipeline.models.record import Record
from pipeline.report.writing import write_page

LARGEST_BYTES = 12 * MOST_COMMENTS * LONGEST_COMMENT
"""Above the longest message of a page, where every comment is full.

A control character takes the most: six bytes of JSON (RFC 8259, section 7), 8 in
base64, 8.6 in quoted rows of 60, and one as text ahead of the code. The rest is for
names, times and what a person writes around it.
"""
_IN_MESSAGE = re.compile(r"\[reamps-picks:([A-Za-z0-9_\-\s>]+)\]")
_OBJECT = re.compile(r'\s*\{\s*"')
_NOTHING = "Nothing was merged."


@dataclass(frozen=True, slots=True)
class Merged:
    """What became of an answer.

    Parameters
    ----------
    pick : Pick
        The answer.
    new : bool
        False where it was merged before.
    page : Path
        The session's page, which shows it.
    """

    pick: Pick
    new: bool
    page: Path


def plain(text: str) -> str:
    """Text as one line without control, direction or unassigned characters.

    Parameters
    ----------
    text : str
        What somebody else wrote.

    Returns
    -------
    str
        Harmless in a terminal and in a file.
    """
    spaced = "".join(" " if one.isspace() else one for one in text)
    shown = "".join(
        one for one in spaced if not unicodedata.category(one).startswith("C")
    )
    return " ".join(shown.split())


def parse_answer(content: bytes, source: str) -> Answer:
    """Read an answer from a picks file, or from a message that holds one.

    Parameters
    ----------
    content : bytes
        UTF-8 text.
    source : str
        What it is, for messages.

    Returns
    -------
    Answer
        Well-formed; its seal is not checked yet.

    Raises
    ------
    RecordError
        If there is no well-formed answer in it.
    """
    if len(content) > LARGEST_BYTES:
        message = f"{source}: over {LARGEST_BYTES} bytes, no picks file. {_NOTHING}"
        raise RecordError(message)
    try:
        found = _found(content.decode("utf-8-sig"), source)
        return Answer.model_validate_json(json.dumps(found))
    except ValidationError as error:
        first = error.errors(include_input=False)[0]
        place = plain(".".join(str(part) for part in first["loc"]))[:60] or "its start"
        message = (
            f"{source}: no picks that this version can use, wrong at {place} "
            f"({first['msg']}). Ask for the file again. {_NOTHING}"
        )
        raise RecordError(message) from error
    except (ValueError, RecursionError) as error:
        message = (
            f"{source}: no picks file, and no message with picks in it. Give the file "
            f"that the page saved, or the whole copied text. {_NOTHING}"
        )
        raise RecordError(message) from error


def _found(text: str, source: str) -> object:
    """Read JSON, or else the one code in a message."""
    try:
        return json.loads(text)
    except ValueError:
        codes = {re.sub(r"[\s>]", "", code) for code in _IN_MESSAGE.findall(text)}
        # In a picks file, even a damaged one, a code is what somebody put in a comment.
        if not codes or _OBJECT.match(text):
            raise
    if len(codes) > 1:
        message = (
            f"{source}: holds the codes of {len(codes)} answers, and nothing tells "
            "which one is meant. Give the file that the page saved, or one message "
            f"without what is quoted in it. {_NOTHING}"
        )
        raise RecordError(message)
    packed = codes.pop()
    try:
        raw = base64.urlsafe_b64decode(packed + "=" * (-len(packed) % 4))
    except binascii.Error as error:
        message = "the code in the message is not whole"
        raise ValueError(message) from error
    return json.loads(raw.decode("utf-8"))


def check_answer(answer: Answer, sent: SentShortlist) -> None:
    """Refuse an answer that does not fit the page that was sent.

    Parameters
    ----------
    answer : Answer
        The answer.
    sent : SentShortlist
        The shortlist that it names.

    Raises
    ------
    RecordError
        If it was forged or altered, is empty, or names what was not on the page.
    """
    if not is_sealed(answer, sent.key):
        message = (
            "the picks do not carry the seal of the page that was sent: forged, or "
            f"altered on the way. Ask for the saved file again. {_NOTHING}"
        )
        raise RecordError(message)
    keys = {one.key for one in sent.options}
    named = [*answer.order, *(one.option for one in answer.comments)]
    unknown = sorted(set(named) - keys)
    if unknown or len(set(answer.order)) < len(answer.order):
        what = f"option {unknown[0]!r} was not on the page" if unknown else "twice one"
        message = f"the picks name what they cannot: {what}. {_NOTHING}"
        raise RecordError(message)
    if not named:
        message = f"the picks are empty: no choice and no comment. {_NOTHING}"
        raise RecordError(message)


def as_pick(answer: Answer, sent: SentShortlist, merged: str) -> Pick:
    """Say an answer in the record's terms.

    Parameters
    ----------
    answer : Answer
        A checked answer.
    sent : SentShortlist
        The shortlist that it answers.
    merged : str
        Now, ISO 8601.

    Returns
    -------
    Pick
        Times are moved from the excerpt to the song.
    """
    options = {one.key: one for one in sent.options}
    start_s = sent.start_frame / sent.sample_rate_hz
    return Pick(
        shortlist=answer.shortlist,
        title=sent.title,
        seal=answer.seal,
        by=plain(answer.by),
        saved=answer.saved,
        merged=merged,
        blind=answer.blind,
        order=tuple(
            Named(id=options[k].id, name=options[k].name) for k in answer.order
        ),
        comments=tuple(
            Comment(
                id=options[one.option].id,
                name=options[one.option].name,
                at_s=round(start_s + one.at_ms / 1000, 3),
                text=plain(one.text) or "(no text)",
            )
            for one in answer.comments
        ),
        heard=tuple(
            Heard(id=one.id, name=one.name, sha256=one.sha256) for one in sent.options
        ),
    )


def merge_picks(folder: Path, content: bytes, *, source: str, now: str) -> Merged:
    """Check an answer against the record and the shortlist, keep it, and show it.

    Parameters
    ----------
    folder : Path
        The run's folder.
    content : bytes
        The picks file, or the message.
    source : str
        What it is, for messages.
    now : str
        ISO 8601.

    Returns
    -------
    Merged
        The answer; the same one twice changes nothing. The session's page is made
        again either way. A `RecordError` says that it is malformed, forged, stale, or
        answers another folder's shortlist.
    """
    answer = parse_answer(content, source)
    sent = recall(folder, answer.shortlist)
    check_answer(answer, sent)
    with hold_folder(folder, f"reamps picks, since {now}"):
        _refuse_stale(sent, read_record(folder))
        pick, new = _kept(folder, as_pick(answer, sent, now))
        return Merged(pick, new=new, page=write_page(folder))


def _refuse_stale(sent: SentShortlist, record: Record) -> None:
    stale = changed(sent, record)
    if stale:
        message = (
            f"the picks are stale: {', '.join(stale)} sounded different when the "
            f"shortlist was sent on {sent.created}; the session was run again since. "
            "Make and send a new shortlist; or, if only settings changed, run it with "
            "those of then, merge these picks, and run it with the new ones again: "
            f"picks that are merged stay. {_NOTHING}"
        )
        raise RecordError(message)


def _kept(folder: Path, pick: Pick) -> tuple[Pick, bool]:
    """Add a pick to the book, unless it is there; give the one that is there."""
    book = read_picks(folder)
    for known in book.picks:
        if known.seal == pick.seal:
            return known, False
    for known in book.latest():
        # The file and the copied text of one answer differ by a moment only.
        if known.model_copy(update=_moments(pick)) == pick:
            return known, False
    write_picks(folder, PicksBook(format=1, picks=(*book.picks, pick)))
    return pick, True


def _moments(pick: Pick) -> dict[str, str]:
    return {"seal": pick.seal, "saved": pick.saved, "merged": pick.merged}
