"""How much a drawing may ask for before it is refused."""

from __future__ import annotations

from dataclasses import dataclass

from instrument.drawings.refusal import DrawingError

MEBIBYTE = 2**20


@dataclass(frozen=True)
class Limits:
    """What one drawing may cost.

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
        Most drawings in a flip-book.
    """

    seconds: float = 60.0
    memory: int = 2048 * MEBIBYTE
    file_bytes: int = 256 * MEBIBYTE
    points: int = 3_000_000
    pixels: int = 64_000_000
    frames: int = 1024


DEFAULT = Limits()


def check_count(count: int, what: str, limits: Limits = DEFAULT) -> None:
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
