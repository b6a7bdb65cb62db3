"""Take sheets and manifests on the disk."""

from pathlib import Path

import tomlkit
from tomlkit.exceptions import TOMLKitError

from pipeline.day.weave import with_captures
from pipeline.errors import ManifestError, OutputError
from pipeline.files.atomic import replace_with
from pipeline.files.manifest import MANIFEST_KIND, read_plan, read_written
from pipeline.files.replacing import refuse_foreign
from pipeline.files.takes import SHEET_KIND, captures_to_csv, read_takes


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
        If the sheet would replace the manifest, its own take sheet or any file that
        is no take sheet.
    """
    if sheet.resolve() == manifest.resolve():
        message = f"{sheet}: this is the manifest itself; name another file"
        raise OutputError(message)
    own = read_plan(manifest).takes_path
    if own is not None and sheet.resolve() == own.resolve():
        message = f"{sheet}: this is the manifest's own take sheet; name another file"
        raise OutputError(message)
    refuse_foreign(sheet, SHEET_KIND)
    listed = read_written(manifest).tables.get("capture")
    captures = (
        [c for c in listed if isinstance(c, dict)] if isinstance(listed, list) else []
    )
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
        If either cannot be read; the message lists every mistake. An `OutputError`
        says that the file is no manifest.
    """
    captures = [capture for _, capture in read_takes(sheet)]
    try:
        before = manifest.read_bytes().decode("utf-8")
        takes = tomlkit.parse(before.removeprefix("\ufeff")).get("takes")
    except (OSError, UnicodeDecodeError, TOMLKitError) as error:
        message = (
            f"{manifest}: a take sheet goes into a manifest that is there already, "
            f"with its session and DI: {error}"
        )
        raise ManifestError(message) from error
    refuse_foreign(manifest, MANIFEST_KIND)
    if takes is not None:
        message = (
            f"{manifest}: takes its captures from {takes}. Change that sheet, or take "
            "the key `takes` out first."
        )
        raise ManifestError(message)
    text = with_captures(before, captures)
    if text != before:
        replace_with(manifest, text.encode("utf-8"))
    return len(captures)
