"""What a copy in a pack says of itself: texts inside the file.

WAV files carry INFO texts (RIFF: Multimedia Programming Interface and Data
Specifications 1.0, 1991), FLAC files Vorbis comments. Standard names are used where
the recommendation has one; figures get plain names with their unit.
"""

from dataclasses import dataclass, replace

from pipeline.files.bext import BextFields
from pipeline.library.choice import Chosen
from pipeline.library.tables import plain

_LONGEST_LICENCE = 200


@dataclass(frozen=True, slots=True)
class Label:
    """What is known of one file, in public words; empty texts are left out.

    Parameters
    ----------
    title, session, date, description, licence, software : str
        In one line each.
    lufs, lra_lu, true_peak_dbtp : float or None
        Of the copy.
    """

    title: str
    session: str = ""
    date: str = ""
    description: str = ""
    licence: str = ""
    software: str = ""
    lufs: float | None = None
    lra_lu: float | None = None
    true_peak_dbtp: float | None = None


def place(chosen: Chosen) -> str:
    """Say which microphone stood where.

    Parameters
    ----------
    chosen : Chosen
        One capture.

    Returns
    -------
    str
        Such as ``rib one, cap edge, 25 mm``; empty for a blend.
    """
    facts = chosen.facts
    distance = facts.get("distance_mm")
    parts = [
        facts.get("mic"),
        facts.get("position"),
        f"{distance:g} mm" if isinstance(distance, float) else None,
    ]
    return ", ".join(plain(str(part)) for part in parts if part)


def short_licence(text: str) -> str:
    """Put a licence into one line.

    Parameters
    ----------
    text : str
        All of it.

    Returns
    -------
    str
        The whole text if it is short, else its first line and where the rest is.
    """
    if len(whole := plain(text)) <= _LONGEST_LICENCE:
        return whole
    first = next((plain(line) for line in text.splitlines() if line.strip()), "")
    return f"{first[:_LONGEST_LICENCE]} (all of it in LICENCE.txt)"


def label(chosen: Chosen, licence: str, version: str) -> Label:
    """Gather what a copy says of itself.

    Parameters
    ----------
    chosen : Chosen
        One capture.
    licence : str
        Text of the licence; may be empty.
    version : str
        Of the program that made the audio.

    Returns
    -------
    Label
        With the loudness after the pack's gain.
    """
    facts, loudness = chosen.facts, chosen.item.loudness
    setup = plain(str(facts.get("setup") or ""))
    known = [part for part in (setup, place(chosen)) if part]
    peak = None if loudness is None else loudness.true_peak_dbtp
    level = None if loudness is None else loudness.lufs
    return Label(
        title=plain(chosen.item.id),
        session=plain(str(facts.get("session") or "")),
        date=plain(str(facts.get("date") or "")),
        description=": ".join(known),
        licence=short_licence(licence),
        software=f"reamps {version}",
        lufs=None if level is None else level + chosen.gain_db,
        lra_lu=None if loudness is None else loudness.lra_lu,
        true_peak_dbtp=None if peak is None else peak + chosen.gain_db,
    )


def of_impulse(label: Label) -> Label:
    """Say that a file is the impulse response of a capture, not the capture.

    Parameters
    ----------
    label : Label
        Of the capture.

    Returns
    -------
    Label
        Without loudness, which an impulse response has not.
    """
    return replace(
        label,
        title=f"{label.title}, impulse response",
        lufs=None,
        lra_lu=None,
        true_peak_dbtp=None,
    )


def info_texts(label: Label) -> dict[str, str]:
    """Lay a label out as INFO texts.

    Parameters
    ----------
    label : Label
        What is said.

    Returns
    -------
    dict of str to str
        By four-letter name.
    """
    found = {
        "INAM": label.title,
        "IPRD": label.session,
        "ICRD": label.date,
        "ISBJ": label.description,
        "ICOP": label.licence,
        "ISFT": label.software,
        "ICMT": ", ".join(f"{value} {unit}" for _, value, unit in _figures(label)),
    }
    return {name: text for name, text in found.items() if text}


def comments(label: Label, bext: BextFields | None) -> dict[str, str]:
    """Lay a label out as Vorbis comments.

    Parameters
    ----------
    label : Label
        What is said.
    bext : BextFields or None
        Of the original: where an editor places the file.

    Returns
    -------
    dict of str to str
        By field name.
    """
    found = {
        "TITLE": label.title,
        "ALBUM": label.session,
        "DATE": label.date,
        "DESCRIPTION": label.description,
        "LICENSE": label.licence,
        "ENCODER": label.software,
    }
    found |= {name: value for name, value, _ in _figures(label)}
    if bext is not None and bext.time_reference_samples:
        found["TIME_REFERENCE_SAMPLES"] = str(bext.time_reference_samples)
    return {name: text for name, text in found.items() if text}


def _figures(label: Label) -> list[tuple[str, str, str]]:
    figures = (
        ("INTEGRATED_LUFS", label.lufs, "LUFS integrated"),
        ("LOUDNESS_RANGE_LU", label.lra_lu, "LU range"),
        ("TRUE_PEAK_DBTP", label.true_peak_dbtp, "dBTP"),
    )
    return [(name, f"{v:.2f}", unit) for name, v, unit in figures if v is not None]
