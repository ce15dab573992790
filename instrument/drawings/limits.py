"""Limits and tolerances of drawings, and the error by which a drawing is refused."""

from __future__ import annotations

from dataclasses import dataclass


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
        """Return the same refusal with the file named, if it was not named already."""
        return self if self.file is not None else DrawingError(self.reason, file, self.line)


MEBIBYTE = 2**20


@dataclass(frozen=True)
class Limits:
    """Resources that one drawing may take.

    Attributes
    ----------
    seconds : float
        Reading and routing together.
    memory : int
        Bytes that the worker may take besides its libraries.
    file_bytes : int
        Largest file read.
    points : int
        Most points and most edges in a drawing.
    pixels : int
        Most pixels in a picture.
    frames : int
        Most drawings in a flip-book, and most frames of a film or clip: over a minute of 25 a second.
    """

    seconds: float = 60.0
    memory: int = 2048 * MEBIBYTE
    file_bytes: int = 256 * MEBIBYTE
    points: int = 3_000_000
    pixels: int = 64_000_000
    frames: int = 2048


DEFAULT_LIMITS = Limits()


def check_count(count: int, what: str, limits: Limits = DEFAULT_LIMITS) -> None:
    """Refuse more of something than a drawing may have, before any memory is taken for it.

    Raises
    ------
    DrawingError

    Examples
    --------
    >>> check_count(12, "vertices")
    """
    if count > limits.points:
        raise DrawingError(
            f"{count:,} {what}; at most {limits.points:,} are allowed. Simplify the drawing or raise the limit"
        )


@dataclass(frozen=True)
class Tolerances:
    """Lengths are fractions of the drawing's bounding diagonal, so that units do not matter.

    Attributes
    ----------
    coincident : float
        Points closer than this are one point. About 16 steps of float32, which STL, PLY and glTF store: the
        same corner written by two faces may differ in its last bits.
    ends : float
        A stroke's loose end closer than this to another point or stroke touches it. A ten-thousandth of the
        drawing is less than one pixel on a screen of 4,000, so nobody drew that gap on purpose.
    flatten : float
        Curves leave their straight pieces by at most this much: half a pixel on a screen of 1,080.
    simplify : float
        Points that matter less than this may be taken out; 0 keeps all, and is the default.
    corner_degrees : float
        A corner is counted each time the line has turned this far; a circle counts 36.
    largest : float
        Coordinates beyond this are refused: their squares must stay finite with room to spare.
    offset : float
        A drawing further than this many of its own sizes from the origin has lost digits (float64 has 15.9).
    """

    coincident: float = 1e-6
    ends: float = 1e-4
    flatten: float = 5e-4
    simplify: float = 0.0
    corner_degrees: float = 10.0
    largest: float = 1e100
    offset: float = 1e9


DEFAULT_TOLERANCES = Tolerances()
