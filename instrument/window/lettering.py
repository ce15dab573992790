"""Colours and letters of the window: legible in the dark, quiet beside the picture."""

from __future__ import annotations

import pygame

GROUND = (9, 11, 10)
QUIET = (158, 172, 165)
PLAIN = (222, 230, 226)
TROUBLE = (255, 196, 105)
FAINT = (52, 60, 56)
LIGHT = (120, 235, 160)

SMALLEST = 8
"""Pixels below which letters are no longer drawn smaller."""

_KEPT = 400
"""Pieces of text kept drawn; figures change all the time, and old ones are dropped together."""


class Letters:
    """Text of one height, drawn once and then kept.

    Parameters
    ----------
    height : int
        Size of the font in pixels.
    """

    def __init__(self, height: int) -> None:
        self._font = pygame.font.Font(None, max(height, SMALLEST))
        self._drawn: dict[tuple[str, tuple[int, int, int]], pygame.Surface] = {}
        self.line = round(1.15 * self._font.get_linesize())
        self.em = self.width("m")

    def width(self, text: str) -> int:
        """Return the width of a text in pixels."""
        return self._font.size(_printable(text))[0]

    def draw(
        self, target: pygame.Surface, text: str, at: tuple[int, int], colour: tuple[int, int, int]
    ) -> int:
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


def _printable(text: str) -> str:
    # The font library refuses a zero, and draws a line break as a box.
    return "".join(letter if letter.isprintable() else " " for letter in text)
