"""Make a client's page from a run's folder, and remember what was sent."""

import base64
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.client.answer import LONGEST_NAME
from pipeline.client.choose import Proposal, middle, name_given, propose
from pipeline.client.cut import BYTES_A_SAMPLE, MB, Cut, Room, cut_tones
from pipeline.client.excerpt import peaks
from pipeline.client.page import ClientPage, Option, render
from pipeline.client.reference import WARNING, hear_reference, rank
from pipeline.client.sent import SentOption, SentShortlist, remember
from pipeline.client.tones import Tone, named, tones
from pipeline.client.words import sentence
from pipeline.errors import OutputError, RecordError
from pipeline.files.atomic import make_folder, refusal, replace_with
from pipeline.files.store import read_record
from pipeline.models.record import Record
from pipeline.report.listening import FOLDER as LISTEN
from pipeline.report.listening import listening_script
from pipeline.report.text import number

LONGEST_NOTE = 600


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the engineer asks for.

    Parameters
    ----------
    ids : sequence of str
        Captures or blends; none: proposed by character.
    names, notes : mapping of str to str
        By id: what the client calls it, and a line to read.
    recommend : str or None
        Id of the recommendation; None: by measure.
    reference : Path or None
        A recording that the client likes.
    title : str
        Heading of the page.
    seconds : float or None
        Longest excerpt.
    max_mb : float
        Largest single file, MB.
    folder : bool
        A page and scripts beside it, instead of one file.
    pcm : bool
        16-bit PCM instead of FLAC.
    """

    ids: Sequence[str] = ()
    names: Mapping[str, str] = field(default_factory=dict)
    notes: Mapping[str, str] = field(default_factory=dict)
    recommend: str | None = None
    reference: Path | None = None
    title: str = "Which guitar sound?"
    seconds: float | None = None
    max_mb: float = 25.0
    folder: bool = False
    pcm: bool = False


@dataclass(frozen=True, slots=True)
class Made:
    """What was made.

    Parameters
    ----------
    page : Path
        The page.
    token : str
        Under which it is remembered.
    options : tuple of Option
        What is on it.
    ids : tuple of str
        The ids behind them.
    size_mb, decoded_mb : float
        Size on disk, and of the sounds decoded.
    cut : str
        What part of the song is on it, and why.
    distances : mapping of str to float
        Distance of every tone to the reference in dB, nearest first.
    """

    page: Path
    token: str
    options: tuple[Option, ...]
    ids: tuple[str, ...]
    size_mb: float
    decoded_mb: float
    cut: str
    distances: Mapping[str, float]


def _line(text: str, what: str, longest: int) -> str:
    found = " ".join(text.split())
    if not found or len(found) > longest or not found.isprintable():
        message = f"{what}: expected 1 to {longest} printable characters"
        raise RecordError(message)
    return found


def _recommended(
    wishes: Wishes, these: Sequence[Tone], ranking: Mapping[str, float]
) -> tuple[str, str]:
    ids = [one.id for one in these]
    if wishes.recommend is not None:
        if wishes.recommend not in ids:
            message = f"{wishes.recommend}: recommended, but not on the shortlist"
            raise RecordError(message)
        return wishes.recommend, "Recommended by your engineer."
    nearest = next((id_ for id_ in ranking if id_ in ids), None)
    if nearest is not None:
        return nearest, "Start here: of these the closest to your reference."
    id_, mean = middle(these)
    return id_, (
        "Start here: it lies nearest to all the others, on average "
        f"{number(mean, 1, 'dB')} away."
    )


def _chosen(
    record: Record, wishes: Wishes, ranking: Mapping[str, float]
) -> list[Proposal]:
    known = tones(record)
    if wishes.ids:
        found = name_given(named(record, known, wishes.ids), ranking)
    else:
        repeat = record.repeatability
        found = propose(known, ranking, repeat.distance_db if repeat else None)
    ids = {one.tone.id for one in found}
    for id_ in (*wishes.names, *wishes.notes):
        if id_ not in ids:
            message = f"{id_}: has a name or note, but is not on the shortlist"
            raise RecordError(message)
    given = {k: _line(v, f"name of {k}", LONGEST_NAME) for k, v in wishes.names.items()}
    found = [Proposal(one.tone, given.get(one.tone.id, one.name)) for one in found]
    if len({one.name.casefold() for one in found}) < len(found):
        message = "two tones share a name; give each another one with --name"
        raise RecordError(message)
    return found


def _away(tone: Tone, ranking: Mapping[str, float]) -> str:
    if tone.id not in ranking:
        return ""
    return f" {number(ranking[tone.id], 1, 'dB')} away from your reference."


def _options(
    chosen: Sequence[Proposal], cut: Cut, wishes: Wishes, ranking: Mapping[str, float]
) -> tuple[Option, ...]:
    these = [one.tone for one in chosen]
    best, advice = _recommended(wishes, these, ranking)
    notes = {k: _line(v, f"note of {k}", LONGEST_NOTE) for k, v in wishes.notes.items()}
    return tuple(
        Option(
            key=str(index),
            name=one.name,
            told=sentence(one.tone, these) + _away(one.tone, ranking),
            note=notes.get(one.tone.id, ""),
            advice=advice if one.tone.id == best else "",
            mime=packed.mime,
            link=f"{LISTEN}/{index}.js" if wishes.folder else None,
        )
        for index, (one, packed) in enumerate(
            zip(chosen, cut.packed, strict=True), start=1
        )
    )


def _place(folder: Path, out: Path | None, token: str, *, as_folder: bool) -> Path:
    """Where the page goes; refuse what would replace something else."""
    short = f"shortlist-{token[:6]}"
    if as_folder:
        home = out or folder / short
        if home.exists() and (not home.is_dir() or any(home.iterdir())):
            message = f"{home}: is not an empty folder; name a new one with -o"
            raise OutputError(message)
        return home / "index.html"
    if out is None:
        return _new(folder / f"{short}.html")
    if out.suffix.lower() in {".html", ".htm"} and not out.is_dir():
        return _new(out)
    if out.suffix and not out.is_dir():
        message = f"{out}: the page is an HTML file; let its name end in .html"
        raise OutputError(message)
    return _new(out / f"{short}.html")


def _new(page: Path) -> Path:
    """Let a name pass that nothing has yet."""
    # No page is only written again: each has a token and a key of its own. A link that
    # leads nowhere is there, too.
    if os.path.lexists(page):
        message = (
            f"{page}: expected a new name for the page, found one that is there; it "
            "was left as it is. Name another with -o, or move that one away"
        )
        raise OutputError(message)
    return page


def _write(page: Path, view: ClientPage, cut: Cut, *, as_folder: bool) -> float:
    """Write the page and its sounds; give their size in MB."""
    make_folder(page.parent)
    if not as_folder:
        sounds = {
            one.key: base64.b64encode(packed.data).decode("ascii")
            for one, packed in zip(view.options, cut.packed, strict=True)
        }
        text = render(view, sounds).encode("utf-8")
        replace_with(page, text)
        return len(text) / MB
    make_folder(page.parent / LISTEN)
    size = 0
    for one, packed in zip(view.options, cut.packed, strict=True):
        text = listening_script(
            one.key,
            packed.data,
            packed.mime,
            rate=view.sample_rate_hz,
            frames=view.frames,
        ).encode("ascii")
        replace_with(page.parent / LISTEN / f"{one.key}.js", text)
        size += len(text)
    text = render(view, {}).encode("utf-8")
    replace_with(page, text)
    return (size + len(text)) / MB


def make_shortlist(
    folder: Path, out: Path | None, wishes: Wishes, *, secret: tuple[str, str], now: str
) -> Made:
    """Make the client's page.

    Parameters
    ----------
    folder : Path
        A run's folder.
    out : Path or None
        File or folder to write; None: a new name in `folder`.
    wishes : Wishes
        What is asked for.
    secret : tuple of str
        Token (16 hexadecimal digits) and key (64), both random.
    now : str
        ISO 8601.

    Returns
    -------
    Made
        The page is written, and what was sent is kept in the folder's shortlists.
        A `ReampsError` says why nothing was made.

    Raises
    ------
    OutputError
        If the page would replace something, or cannot lie there.
    """
    record = read_record(folder)
    token, key = secret
    ranking: Mapping[str, float] = {}
    if wishes.reference is not None:
        ranking = rank(hear_reference(wishes.reference), tones(record).values())
    title = _line(wishes.title, "title", LONGEST_NAME)
    chosen = _chosen(record, wishes, ranking)
    try:
        page = _place(folder, out, token, as_folder=wishes.folder)
    except OSError as error:
        raise OutputError(refusal(out or folder, error)) from error
    cut = cut_tones(
        folder,
        record,
        [one.tone for one in chosen],
        Room(None if wishes.folder else wishes.max_mb, wishes.seconds, wishes.pcm),
    )
    rate = record.di.sample_rate_hz
    view = ClientPage(
        title=title,
        token=token,
        key=key,
        options=_options(chosen, cut, wishes, ranking),
        sample_rate_hz=rate,
        frames=cut.frames,
        excerpt=cut.words,
        decoded_mb=BYTES_A_SAMPLE * cut.frames * len(chosen) / MB,
        peaks=peaks(cut.sounds),
        warning=WARNING if ranking else "",
    )
    sent = SentShortlist(
        format=1,
        token=token,
        key=key,
        created=now,
        title=title,
        options=tuple(
            SentOption(
                key=option.key,
                id=one.tone.id,
                name=one.name,
                sha256=one.tone.output.sha256,
            )
            for option, one in zip(view.options, chosen, strict=True)
        ),
        start_frame=cut.start,
        frames=cut.frames,
        sample_rate_hz=rate,
    )
    remember(folder, sent)
    size = _write(page, view, cut, as_folder=wishes.folder)
    return Made(
        page=page,
        token=token,
        options=view.options,
        ids=tuple(one.tone.id for one in chosen),
        size_mb=size,
        decoded_mb=view.decoded_mb,
        cut=cut.words,
        distances=ranking,
    )
