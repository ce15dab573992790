"""How a drawing is refused: one exception that always names the place, the value and the mend."""

from __future__ import annotations


class DrawingError(ValueError):
    """A drawing that cannot be used, with the reason in words for the person who brought it.

    Parameters
    ----------
    reason : str
        What is wrong and what to do about it, in one or two plain sentences.
    file : str, optional
        The drawing's file name, put in front of the reason.
    line : int, optional
        Line in the file, counted from 1.

    Examples
    --------
    >>> str(DrawingError("the file is empty", file="heron.obj"))
    'heron.obj: the file is empty'
    >>> str(DrawingError("'x' is not a number", file="heron.obj", line=7))
    "heron.obj:7: 'x' is not a number"
    """

    def __init__(self, reason: str, file: str | None = None, line: int | None = None) -> None:
        self.reason = reason
        self.file = file
        self.line = line
        where = "" if file is None else file if line is None else f"{file}:{line}"
        super().__init__(f"{where}: {reason}" if where else reason)

    def at(self, file: str) -> DrawingError:
        """Give the same refusal with the file named, if it was not named already."""
        return self if self.file is not None else DrawingError(self.reason, file, self.line)
