"""The one family of errors that reaches a user.

A message says what was checked, of which file, what was expected, what was
found and what to do. Everything else that is raised is a bug.
"""


class ReampsError(Exception):
    """A refusal that the user can act on. The command line exits with 1."""


class ManifestError(ReampsError):
    """A manifest that cannot be used; the message lists every mistake in it."""


class AudioError(ReampsError):
    """An audio file that cannot be used.

    Parameters
    ----------
    code : str
        Finding code of the contract: ``missing``, ``unreadable``, ...
    message : str
        What was checked, found and expected, and what to do.
    """

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code

    def __reduce__(self) -> tuple[type["AudioError"], tuple[str, str]]:
        """Travel between processes with code and message."""
        return type(self), (self.code, str(self))


class OutputError(ReampsError):
    """A place that cannot be written to; nothing was lost."""


class RecordError(ReampsError):
    """A record that cannot be read: damaged, or of another format number."""
