"""Text in a table that a spreadsheet will open: it stays text."""

_STARTS = (
    "=",
    "+",
    "-",
    "@",
    "\t",
    "\r",
    "\n",
    # The same signs in full width, which some spreadsheets take for them.
    "\uff1d",
    "\uff0b",
    "\uff0d",
    "\uff20",
)
_PASSED_OVER = " \u00a0\u200b\ufeff"
"""What a spreadsheet may skip at the start of a cell."""


def looks_like_formula(text: str) -> bool:
    """Say whether a spreadsheet could take a text for a formula.

    Parameters
    ----------
    text : str
        A cell.

    Returns
    -------
    bool
        True where it starts with a sign of one, also behind blanks.
    """
    return text.lstrip(_PASSED_OVER).startswith(_STARTS)


def guarded(text: str) -> str:
    """Keep a spreadsheet from taking a text for a formula.

    Parameters
    ----------
    text : str
        A cell.

    Returns
    -------
    str
        With an apostrophe in front, as a person would type it, where it looks like a
        formula.
    """
    return f"'{text}" if looks_like_formula(text) else text
