"""A pack for a client: level-matched copies, what each is, and their checksums.

audio/NAME.wav      copies, all at one loudness (or NAME.flac)
impulse/NAME_HZ.wav impulse responses, where `reamps responses` wrote some
sheet.html          contact sheet: listen, see and compare
captures.csv        one row a file
README.txt          what each file is
LICENCE.txt         your terms, if you give any
checksums.sha256    for `sha256sum -c` and its like
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.files.flac import encode_flac
from pipeline.library import audio
from pipeline.library.catalogue import Catalogue
from pipeline.library.choice import Chosen, Selection, Wanted, choose
from pipeline.library.labels import Label, comments, info_texts, label, of_impulse
from pipeline.library.page import render_sheet
from pipeline.library.parcel import Parcel, contents, discard, writing
from pipeline.library.private import leaked, secrets_of
from pipeline.library.refusals import PackError, refuse_torn
from pipeline.library.sheet import captures_csv, readme, sheet_context
from pipeline.library.tables import plain
from pipeline.library.wave_level import LevelledWave

CHECKSUMS = "checksums.sha256"


@dataclass(frozen=True, slots=True)
class Packed:
    """A pack that was written and read back.

    Parameters
    ----------
    target : Path
        Folder or zip.
    files : int
        Files in it.
    numbers : tuple of int
        Captures in it.
    target_lufs : float
        Their common level.
    mics : str
        How many of them each microphone took.
    """

    target: Path
    files: int
    numbers: tuple[int, ...]
    target_lufs: float
    mics: str


@dataclass(frozen=True, slots=True)
class Terms:
    """What the pack says of itself.

    Parameters
    ----------
    title : str
        Head of sheet and README.
    licence : str
        Text of the licence; empty leaves it out.
    """

    title: str
    licence: str = ""


class _Guard:
    """Puts files into a parcel, refuses private texts and keeps the checksums."""

    def __init__(self, parcel: Parcel, secrets: frozenset[str]) -> None:
        self._parcel = parcel
        self._secrets = secrets
        self.sums: dict[str, str] = {}

    def _refuse_leaks(self, name: str, content: bytes) -> None:
        if (text := leaked(content, self._secrets)) is not None:
            msg = (
                f"{name}: would hold {text!r}, which the record marks as private. "
                "Nothing was written; choose other names or mend the source file."
            )
            raise PackError(msg)

    def put_text(self, name: str, text: str) -> None:
        content = text.encode("utf-8")
        self._refuse_leaks(name, content)
        self.sums[name] = self._parcel.put(name, [content])

    def put_wave(self, name: str, source: Path, gain_db: float, said: Label) -> None:
        wave = LevelledWave(source, gain_db, info_texts(said))
        self._refuse_leaks(name, name.encode("utf-8") + b"\n" + wave.metadata)
        self.sums[name] = self._parcel.put(name, wave.blocks())

    def put_flac(self, name: str, source: Path, gain_db: float, said: Label) -> None:
        wave = LevelledWave(source, gain_db, {})
        texts = comments(said, wave.bext)
        told = "\n".join((name, *texts.values()))
        self._refuse_leaks(name, told.encode("utf-8"))
        try:
            made = encode_flac(wave.samples(), wave.sample_rate_hz, texts)
        except ValueError as error:
            msg = f"{source}: {error}. Pack it as WAV."
            raise PackError(msg) from error
        self.sums[name] = self._parcel.put(name, [made])


def _check_source(chosen: Chosen) -> None:
    if audio.file_digest(chosen.source) != chosen.sha256:
        msg = (
            f"{chosen.source}: the audio is not what the record says it is (checksum "
            "differs). Run the session again and add it again."
        )
        raise PackError(msg)


def _sum_lines(sums: dict[str, str]) -> Iterator[str]:
    for name in sorted(sums):
        yield f"{sums[name]}  {name}\n"


def pack(catalogue: Catalogue, wanted: Wanted, target: Path, terms: Terms) -> Packed:
    """Write a pack and read it back.

    Parameters
    ----------
    catalogue : Catalogue
        An open library.
    wanted : Wanted
        What goes in.
    target : Path
        A new folder, or a new file that ends in ``.zip``.
    terms : Terms
        Title and licence.

    Returns
    -------
    Packed
        What was written. Equal captures, names and terms give equal bytes.

    Raises
    ------
    PackError
        If something is missing, changed or private, or reads back otherwise than it
        was written; no pack is left then.
    """
    refuse_torn(terms.title)
    selection = choose(catalogue, wanted)
    secrets = frozenset().union(*(secrets_of(r) for r in selection.records.values()))
    with writing(target) as parcel:
        guard = _Guard(parcel, secrets)
        _fill(guard, selection, terms)
        parcel.put(CHECKSUMS, ["".join(_sum_lines(guard.sums)).encode("utf-8")])
    found = contents(target)
    found.pop(CHECKSUMS, None)
    if found != guard.sums:
        discard(target)
        msg = f"{target}: read back otherwise than written; removed. Check the disk."
        raise PackError(msg)
    return Packed(
        target,
        len(found) + 1,
        tuple(chosen.number for chosen in selection.chosen),
        round(selection.target_lufs, 2),
        _mics(selection),
    )


def _mics(selection: Selection) -> str:
    """Say whose captures went in, so that a strange one is seen at once."""
    kinds = Counter(
        plain(str(chosen.facts["mic"] or chosen.facts["kind"]))
        for chosen in selection.chosen
    )
    return ", ".join(f"{name} {count}" for name, count in sorted(kinds.items()))


def _fill(guard: _Guard, selection: Selection, terms: Terms) -> None:
    for chosen in selection.chosen:
        _check_source(chosen)
        version = selection.records[chosen.session].version
        said = label(chosen, terms.licence, version)
        put = guard.put_flac if selection.layout == "flac" else guard.put_wave
        put(chosen.file, chosen.source, chosen.gain_db, said)
        for name, path in chosen.impulses.items():
            guard.put_wave(name, path, 0.0, of_impulse(said))
    guard.put_text("README.txt", readme(selection, terms.title, terms.licence))
    guard.put_text("captures.csv", captures_csv(selection))
    guard.put_text("sheet.html", render_sheet(sheet_context(selection, terms.title)))
    if terms.licence:
        guard.put_text("LICENCE.txt", terms.licence.rstrip() + "\n")
