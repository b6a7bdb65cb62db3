"""What the library refuses, in words that say what to do."""

from pipeline.errors import ReampsError


class CatalogueError(ReampsError):
    """A catalogue that cannot be used: newer, damaged, busy or not one at all."""


class QueryError(ReampsError):
    """A question that cannot be answered as it was asked."""


class PackError(ReampsError):
    """A pack that cannot be made, or that did not read back as it was written."""
