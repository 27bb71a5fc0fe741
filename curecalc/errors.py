"""The errors people see. Each message is one line: what, what was read, the rule, a way out."""

__all__ = ["CurecalcError", "FileError", "NoSolution", "QuantityError"]


class CurecalcError(Exception):
    """Base of every error raised on purpose; the command line turns it into one line and an exit status."""

    exit_status = 2


class QuantityError(CurecalcError, ValueError):
    """A value or a text that cannot be used: no unit, wrong dimension, out of range, unreadable."""


class FileError(CurecalcError, ValueError):
    """A file that cannot be used; the message begins with the file and, where known, line and column or key."""


class NoSolution(CurecalcError):
    """A well-posed question without an answer inside the limits.

    Attributes
    ----------
    limit : str
        Name of the limit that binds.
    remedy : str
        What would move it, in one sentence.
    """

    exit_status = 3

    def __init__(self, message: str, *, limit: str = "", remedy: str = "") -> None:
        super().__init__(message if not remedy else f"{message} {remedy}")
        self.limit = limit
        self.remedy = remedy
