"""What the library refuses, in words that say what to do."""

from pipeline.errors import ReampsError


class CatalogueError(ReampsError):
    """A catalogue that cannot be used: newer, damaged, busy or not one at all."""


class QueryError(ReampsError):
    """A question that cannot be answered as it was asked."""


class PackError(ReampsError):
    """A pack that cannot be made, or that did not read back as it was written."""


def refuse_torn(text: str) -> None:
    """Refuse a text that is bytes of another encoding, which nothing can store.

    Parameters
    ----------
    text : str
        As it was typed, or the name of a folder.

    Raises
    ------
    QueryError
        If it cannot be written as UTF-8.
    """
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        msg = (
            f"{text!r}: expected UTF-8, found bytes of another encoding. Rename what "
            "is called so, or set your terminal to UTF-8."
        )
        raise QueryError(msg) from error
