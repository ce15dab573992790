"""Colours and sizes of the window: legible in the dark, quiet beside the picture, in proportion to its height."""

from __future__ import annotations

from dataclasses import dataclass

import pygame

Colour = tuple[int, int, int]

LEAST_CONTRAST = 7.0
"""Of every text to what it stands on: WCAG 2.2, success criterion 1.4.6, contrast (enhanced), level AAA."""


@dataclass(frozen=True)
class Theme:
    """One set of colours.

    Attributes
    ----------
    ground, raised, chosen : Colour
        What texts stand on: the window, a value or button, and one that is chosen or switched on.
    faint : Colour
        Lines and empty parts of bars; nothing is written in it.
    quiet, plain, light, trouble : Colour
        Texts: names, values, what moves or is switched on, and what needs a hand.
    """

    ground: Colour
    raised: Colour
    chosen: Colour
    faint: Colour
    quiet: Colour
    plain: Colour
    light: Colour
    trouble: Colour

    def text(self, tone: str) -> Colour:
        """Return the colour of a text by the name of its tone."""
        return {"quiet": self.quiet, "light": self.light, "trouble": self.trouble}.get(tone, self.plain)


NIGHT = Theme(
    ground=(9, 11, 10),
    raised=(22, 26, 24),
    chosen=(38, 54, 47),
    faint=(64, 74, 69),
    quiet=(164, 178, 171),
    plain=(224, 232, 228),
    light=(120, 235, 160),
    trouble=(255, 196, 105),
)
"""The usual colours."""

DIM = Theme(
    ground=(0, 0, 0),
    raised=(6, 5, 4),
    chosen=(22, 17, 10),
    faint=(50, 42, 30),
    quiet=(178, 150, 114),
    plain=(196, 166, 126),
    light=(198, 172, 96),
    trouble=(232, 150, 92),
)
"""As dark as the contrast allows, and without the blue that spoils eyes used to the dark (common practice, no source)."""


def written_on(theme: Theme) -> list[tuple[Colour, Colour]]:
    """Return every pair of a text's colour and what it stands on that the window uses."""
    everywhere = [(text, ground) for text in (theme.plain, theme.light) for ground in _grounds(theme)]
    elsewhere = [(text, ground) for text in (theme.quiet, theme.trouble) for ground in _grounds(theme)[:2]]
    return everywhere + elsewhere


def _grounds(theme: Theme) -> tuple[Colour, Colour, Colour]:
    return theme.ground, theme.raised, theme.chosen


def contrast(one: Colour, other: Colour) -> float:
    """Return the contrast ratio of two colours, 1 to 21.

    Source
    ------
    WCAG 2.2, definitions of contrast ratio and of relative luminance.

    Examples
    --------
    >>> contrast((255, 255, 255), (0, 0, 0))
    21.0
    """
    darker, brighter = sorted((_luminance(one), _luminance(other)))
    return (brighter + 0.05) / (darker + 0.05)


def _luminance(colour: Colour) -> float:
    parts = [value / 255 for value in colour]
    red, green, blue = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


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
class Sizes:
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


def sizes_for(width: int, height: int) -> Sizes:
    """Return the sizes for a window.

    Examples
    --------
    >>> sizes_for(1280, 800).em, sizes_for(3840, 2160).em
    (17, 45)
    """
    em = max(round(min(height / LINES, width / COLUMNS)), SMALLEST)
    return Sizes(em, round(1.55 * em), max(round(0.3 * em), 2))


@dataclass(frozen=True)
class Areas:
    """Areas of the parts of the desk view.

    Attributes
    ----------
    picture, pages, strip : pygame.Rect
        They share the window without overlapping.
    """

    picture: pygame.Rect
    pages: pygame.Rect
    strip: pygame.Rect


def areas_for(width: int, height: int, strip: int) -> Areas:
    """Share a window out, whose strip at the bottom is `strip` pixels high."""
    strip = min(strip, height)
    above = height - strip
    bottom = pygame.Rect(0, above, width, strip)
    if width >= height:
        side = min(above, round(_BESIDE * width))
        return Areas(pygame.Rect(0, 0, side, above), pygame.Rect(side, 0, width - side, above), bottom)
    side = min(width, round(_ABOVE * height))
    return Areas(pygame.Rect(0, 0, width, side), pygame.Rect(0, side, width, above - side), bottom)


def columns(room: pygame.Rect, count: int, gap: int) -> list[pygame.Rect]:
    """Return so many columns of equal width, with gaps between."""
    width = (room.width - gap * (count - 1)) // count
    return [pygame.Rect(room.left + k * (width + gap), room.top, width, room.height) for k in range(count)]
