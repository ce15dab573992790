"""Sizes that follow the window: letters, lines, and where picture, pages and strip lie."""

from __future__ import annotations

from dataclasses import dataclass

import pygame

LINES = 48
"""Letters are the height of the window over this. On a display 0.32 m high (24 inches, 16:10) filled by the window,
capitals, which are 0.73 of it, are then 4.9 mm high: 17 minutes of arc at a metre, where ISO 9241-303 asks for 16
at least (from memory)."""

COLUMNS = 72
"""In narrow windows letters are the width over this instead, so that a page keeps two columns."""

SMALLEST = 12
"""Pixels below which letters do not follow any more."""

_BESIDE = 0.48
"""Share of the width that the picture takes at most beside the pages."""

_ABOVE = 0.42
"""Share of the height that it takes above them where the window is higher than wide."""


@dataclass(frozen=True)
class Measures:
    """Sizes in pixels for one size of window.

    Attributes
    ----------
    em : int
        Size of the letters.
    row : int
        Height of a row that can be aimed at.
    gap : int
        Between things.
    """

    em: int
    row: int
    gap: int


def measures(width: int, height: int) -> Measures:
    """Return the sizes for a window.

    Examples
    --------
    >>> measures(1280, 800).em, measures(3840, 2160).em
    (17, 45)
    """
    em = max(round(min(height / LINES, width / COLUMNS)), SMALLEST)
    return Measures(em, round(1.55 * em), max(round(0.3 * em), 2))


@dataclass(frozen=True)
class Places:
    """Where the parts of the desk view lie.

    Attributes
    ----------
    picture, pages, strip : pygame.Rect
        They share the window without overlapping.
    """

    picture: pygame.Rect
    pages: pygame.Rect
    strip: pygame.Rect


def places(width: int, height: int, strip: int) -> Places:
    """Share a window out, whose strip at the bottom is `strip` pixels high."""
    strip = min(strip, height)
    above = height - strip
    bottom = pygame.Rect(0, above, width, strip)
    if width >= height:
        side = min(above, round(_BESIDE * width))
        return Places(pygame.Rect(0, 0, side, above), pygame.Rect(side, 0, width - side, above), bottom)
    side = min(width, round(_ABOVE * height))
    return Places(pygame.Rect(0, 0, width, side), pygame.Rect(0, side, width, above - side), bottom)


def columns(room: pygame.Rect, count: int, gap: int) -> list[pygame.Rect]:
    """Return so many columns of equal width, with gaps between."""
    width = (room.width - gap * (count - 1)) // count
    return [pygame.Rect(room.left + k * (width + gap), room.top, width, room.height) for k in range(count)]
