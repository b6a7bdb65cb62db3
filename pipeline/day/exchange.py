"""Take sheets and manifests on the disk."""

from pathlib import Path

import tomlkit
from tomlkit.exceptions import TOMLKitError

from pipeline.day.sheet import captures_from_csv, captures_to_csv
from pipeline.day.weave import captures_of, with_captures
from pipeline.errors import ManifestError, OutputError
from pipeline.files.atomic import replace_with
from pipeline.files.manifest import read_plan

_LARGEST_BYTES = 16 * 1024 * 1024


def write_sheet(manifest: Path, sheet: Path, *, comma: bool) -> int:
    """Write a manifest's captures as a take sheet.

    Parameters
    ----------
    manifest : Path
        The manifest; a `ManifestError` lists its mistakes.
    sheet : Path
        The CSV file, with a byte order mark so that spreadsheets read it as UTF-8.
    comma : bool
        False writes semicolons and decimal commas.

    Returns
    -------
    int
        Number of captures.

    Raises
    ------
    OutputError
        If the sheet would replace the manifest.
    """
    if sheet.resolve() == manifest.resolve():
        message = f"{sheet}: this is the manifest itself; name another file"
        raise OutputError(message)
    read_plan(manifest)
    captures = captures_of(manifest.read_bytes().decode("utf-8"))
    text = captures_to_csv(captures, comma=comma)
    replace_with(sheet, text.encode("utf-8-sig"))
    return len(captures)


def sheet_into_manifest(sheet: Path, manifest: Path) -> int:
    """Put a take sheet's captures into a manifest.

    Parameters
    ----------
    sheet : Path
        The CSV file.
    manifest : Path
        A manifest that is there; all but its captures stays.

    Returns
    -------
    int
        Number of captures.

    Raises
    ------
    ManifestError
        If either cannot be read; the message lists every mistake.
    """
    try:
        if sheet.stat().st_size > _LARGEST_BYTES:
            message = f"{sheet}: larger than 16 MiB; this is no take sheet"
            raise ManifestError(message)
        data = sheet.read_bytes()
        before = manifest.read_bytes().decode("utf-8")
        tomlkit.parse(before.removeprefix("\ufeff"))
    except (OSError, UnicodeDecodeError, TOMLKitError) as error:
        message = (
            f"a take sheet goes into a manifest that is there already, with its "
            f"session and DI: {error}"
        )
        raise ManifestError(message) from error
    captures = captures_from_csv(data)
    text = with_captures(before, captures)
    if text != before:
        replace_with(manifest, text.encode("utf-8"))
    return len(captures)
