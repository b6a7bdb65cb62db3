"""The tones that blends are to come near to: captures of the night, or files."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import TypeAdapter

from pipeline import __version__
from pipeline.errors import AudioError
from pipeline.files.audio import sha256_of
from pipeline.models.manifest import Blend
from pipeline.models.record import Finding
from pipeline.run.around import STAGE_VERSION, Surroundings
from pipeline.run.keeping import Step, Strand
from pipeline.stages.blend import Tone

CODE = "not_blended"


@dataclass(frozen=True, slots=True)
class Heard:
    """What became of a file that holds a wanted tone.

    Parameters
    ----------
    tone : Tone or None
        None where it cannot be used.
    trouble : str
        Why not.
    """

    tone: Tone | None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Wishes:
    """The tones that blends are to come near to.

    Parameters
    ----------
    tones : mapping of str to Tone
        By the blend's id.
    findings : tuple of Finding
        Of the blends whose tone is not known.
    pending : bool
        Whether a file would have to be heard first, while only deciding.
    """

    tones: Mapping[str, Tone]
    findings: tuple[Finding, ...] = ()
    pending: bool = False


_HEARD = TypeAdapter(Heard)


def not_blended(id_: str, why: str, fix: str | None = None) -> Finding:
    """Say that a blend which was asked for is not made.

    Parameters
    ----------
    id_ : str
        Its id.
    why : str
        A sentence.
    fix : str or None
        What to do about it.

    Returns
    -------
    Finding
        Of the session.
    """
    message = f"The blend {id_!r} is not made. {why}"
    return Finding(code=CODE, severity="warn", message=message, fix=fix)


def hear_wish(path: Path) -> Heard:
    """Measure a recording of a wanted tone.

    Parameters
    ----------
    path : Path
        Any audio file.

    Returns
    -------
    Heard
        Its tone, or why there is none.
    """
    # Few sessions ask for it, and every worker would import it.
    from pipeline.client.reference import hear_reference  # noqa: PLC0415

    try:
        found = hear_reference(path)
    except AudioError as error:
        return Heard(None, str(error))
    erb_db, within = found.erb_db.tolist(), found.within.tolist()
    return Heard(Tone(tuple(erb_db), found.lufs, tuple(within)))


def hear_wishes(
    blends: tuple[Blend, ...],
    folder: Path,
    tones: Mapping[str, Tone],
    around: Surroundings,
) -> Wishes:
    """Find the tone that each blend is to come near to.

    Parameters
    ----------
    blends : tuple of Blend
        As the manifest has them.
    folder : Path
        The manifest's, which files are relative to.
    tones : mapping of str to Tone
        Of the usable captures.
    around : Surroundings
        Workers, progress and what was kept.

    Returns
    -------
    Wishes
        By blend. A tone that is not to be had is a finding, not the end of the night.
    """
    wanted = {blend.id: blend.nearest for blend in blends if blend.nearest}
    found: dict[str, Tone] = {}
    findings: list[Finding] = []
    steps: list[Step[Path]] = []
    for id_, wish in wanted.items():
        if wish.file is not None:
            step = _step(id_, folder / wish.file)
            if isinstance(step, Finding):
                findings.append(step)
            else:
                steps.append(step)
        elif (tone := tones.get(wish.capture or "")) and tone.erb_db:
            found[id_] = tone
        else:
            why = f"It was to come near to {wish.capture}, which cannot be used."
            findings.append(not_blended(id_, why))
    if steps:
        around.progress.begin("hearing wanted tones", len(steps))
    heard = around.do(Strand("wanted", steps, hear_wish, _HEARD))
    for id_, one in heard.items():
        if one.tone is None:
            findings.append(_unheard(id_, one.trouble))
        else:
            found[id_] = one.tone
    return Wishes(found, tuple(findings), pending=len(heard) < len(steps))


def _step(id_: str, path: Path) -> Step[Path] | Finding:
    try:
        sha256 = sha256_of(path)
    except AudioError as error:
        return _unheard(id_, str(error))
    parts = {"version": f"{__version__}/{STAGE_VERSION}", "file": sha256}
    return Step(id_, path, parts)


def _unheard(id_: str, trouble: str) -> Finding:
    return not_blended(
        id_,
        f"The recording that it was to come near to cannot be used. {trouble}",
        "Correct the path under `nearest`, or export that file as WAV, AIFF or FLAC.",
    )
