"""What states and findings are called on the page and the screen."""

from pipeline.report.text import label

STATUS_WORDS = {"ok": "fine", "flagged": "usable, check it", "rejected": "left out"}
SEVERITY_WORDS = {
    "reject": "Left out",
    "warn": "Check before you rely on it",
    "note": "Good to know",
}
FINDING_TITLES = {
    "missing": "File not found",
    "unreadable": "File cannot be read",
    "not_finite": "File holds values that are not numbers",
    "silent": "Nothing on it",
    "not_this_di": "Not a recording of this DI",
    "wrong_sample_rate": "Runs at the wrong speed",
    "truncated": "A part of the DI is missing on it",
    "jump": "Jumps in time",
    "drift": "Slowly runs away from the DI",
    "clipped": "Clipped on the way in",
    "hum": "Mains hum",
    "noisy": "A lot of noise",
    "low_confidence": "Timing is not certain",
    "too_short": "Too short to judge",
    "duplicate": "Same audio twice",
    "polarity_differs": "Polarity differs",
    "resampled": "Converted to the DI's sample rate",
    "varying": "Timing wobbles",
    "second_path": "The sound arrives by more than one path",
    "ambiguous": "More than one timing fits",
    "echo": "An echo in the chain",
    "buffer_change": "The interface's delay changed",
    "bleed": "The dry signal leaks in",
    "gate": "A noise gate is working",
    "muted": "Silent while the DI plays",
    "over": "Peaks over full scale",
    "other_di": "A recording of another DI",
    "swapped": "Microphones have changed inputs",
    "warming": "The amplifier was warming up",
    "not_blended": "A blend that was asked for is not made",
    "no_overlap": "The backing track and the DI do not meet",
    "markers_disagree": "Markers and music tell different times",
    "markers_only": "The markers are known, the music is not",
    "no_markers": "The play-out file's markers are not in it",
    "several_playouts": "More than one play-out file of this DI",
    "bug": "The program failed at it",
    "near_miss": "A key that may be misspelt",
}


def finding_title(code: str) -> str:
    """Heading of a finding code.

    Parameters
    ----------
    code : str
        The code.

    Returns
    -------
    str
        Plain words; an unknown code as words.
    """
    return FINDING_TITLES.get(code, label(code))
