"""The font of the window: texts of one height, drawn once and then kept."""

from __future__ import annotations

from bisect import bisect_left
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import pygame

SMALLEST = 8
"""Pixels below which letters are no longer drawn smaller."""

_FACE = "DejaVuSans.ttf"
"""Comes with matplotlib, so that it is the same on every system; it has figures of one width, and wide letters."""

_KEPT = 1500
"""Pieces of text kept drawn; figures change all the time, and old ones are dropped together."""


class Font:
    """Text of one height, drawn once and then kept.

    Parameters
    ----------
    height : int
        Size of the font in pixels.
    """

    def __init__(self, height: int) -> None:
        self._font = pygame.font.Font(font_file(), max(height, SMALLEST))
        self._drawn: dict[tuple[str, tuple[int, int, int]], pygame.Surface] = {}
        self._widths: dict[str, int] = {}
        self.line = round(1.1 * self._font.get_linesize())
        self.em = max(height, SMALLEST)

    def width(self, text: str) -> int:
        """Return the width of a text in pixels."""
        width = self._widths.get(text)
        if width is None:
            if len(self._widths) >= _KEPT:
                self._widths.clear()
            width = self._widths[text] = self._font.size(_printable(text))[0]
        return width

    def cut(self, text: str, width: int) -> str:
        """Return a text that fits a width, with dots for what is left out."""
        if self.width(text) <= width:
            return text
        kept = bisect_left(range(len(text)), True, key=lambda n: self.width(f"{text[:n]}…") > width)
        return f"{text[: kept - 1]}…" if kept > 1 else ""

    def draw(self, target: pygame.Surface, text: str, at: tuple[int, int], colour: tuple[int, int, int]) -> int:
        """Draw a text with its upper left corner at a place and return its width."""
        text = _printable(text)
        drawn = self._drawn.get((text, colour))
        if drawn is None:
            if len(self._drawn) >= _KEPT:
                self._drawn.clear()
            drawn = self._drawn[text, colour] = self._font.render(text, True, colour)
        target.blit(drawn, at)
        return drawn.get_width()

    def wrap(self, text: str, width: int) -> list[str]:
        """Return the lines of a text that is broken between words to fit a width.

        A word that is too long for a line is broken where it must be.
        """
        lines = [""]
        for word in _printable(text).split():
            longer = f"{lines[-1]} {word}".strip()
            if self.width(longer) <= width:
                lines[-1] = longer
                continue
            if lines[-1]:
                lines.append("")
            for letter in word:
                if lines[-1] and self.width(lines[-1] + letter) > width:
                    lines.append("")
                lines[-1] += letter
        return lines


@cache
def font_file() -> str | None:
    """Return the file of the window's letters, or None for the library's own where it is missing."""
    found = find_spec("matplotlib")
    for folder in (found.submodule_search_locations or ()) if found is not None else ():
        path = Path(folder) / "mpl-data" / "fonts" / "ttf" / _FACE
        if path.exists():
            return str(path)
    return None


def _printable(text: str) -> str:
    # The font library refuses a zero, and draws a line break as a box.
    return "".join(letter if letter.isprintable() else " " for letter in text)
