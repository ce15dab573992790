"""The two views: the picture alone with a line of text, and the desk with the picture beside its pages."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pygame

from instrument.window.beam_picture import Picture
from instrument.window.strip import strip_height
from instrument.window.text_line import TextLine
from instrument.window.widgets.glyphs import Letters
from instrument.window.widgets.painter import Painter
from instrument.window.widgets.sizes import measures, places

if TYPE_CHECKING:
    from collections.abc import Callable

    from instrument.beam.look import Look
    from instrument.window.desk import Desk
    from instrument.window.strip import Readings
    from instrument.window.text_line import Figures
    from instrument.window.theme import Theme
    from instrument.window.widgets.thumbnail_cache import Thumbs


class StageView:
    """The picture, and a line of text below it or only what is wrong.

    Parameters
    ----------
    screen : pygame.Surface
    rate : float
        Sample rate in hertz.
    look : Look
    theme : Theme
    figures : callable
        Returns what the line of text says.
    text : bool
        Whether the line is shown; trouble is shown in any case.
    """

    def __init__(
        self,
        screen: pygame.Surface,
        rate: float,
        look: Look,
        theme: Theme,
        figures: Callable[[], Figures],
        *,
        text: bool,
    ) -> None:
        self._screen, self._theme, self._ask, self._text = screen, theme, figures, text
        width, height = screen.get_size()
        self.sizes = measures(width, height)
        self._line = TextLine(Letters(self.sizes.em), width, theme)
        self._figures = figures()
        self._line_height = self._height(self._figures)
        self.picture = Picture(pygame.Rect(0, 0, width, height - self._line_height), rate, look)

    def _height(self, figures: Figures) -> int:
        return self._line.height(figures) if self._text or figures.trouble else 0

    def draw_texts(self) -> list[pygame.Rect] | None:
        """Draw the line if it says something else; None if it needs another height, so that all is laid out anew."""
        figures = self._ask()
        if figures == self._figures:
            return []
        self._figures = figures
        if self._height(figures) != self._line_height:
            return None
        return [self._line.draw(self._screen, figures)] if self._line_height else []

    def draw_all(self) -> None:
        """Draw everything."""
        self._screen.fill(self._theme.ground)
        self.picture.draw_all(self._screen)
        if self._line_height:
            self._line.draw(self._screen, self._figures)


class DeskView:
    """The picture beside the pages of the desk, and the strip below both.

    Parameters
    ----------
    screen : pygame.Surface
    rate : float
        Sample rate in hertz.
    look : Look
    theme : Theme
    desk : Desk
    readings : callable
        Returns what the strip tells.
    thumbs : Thumbs
    """

    def __init__(
        self,
        screen: pygame.Surface,
        rate: float,
        look: Look,
        theme: Theme,
        desk: Desk,
        readings: Callable[[], Readings],
        thumbs: Thumbs,
    ) -> None:
        self._screen, self._theme, self._desk, self._ask = screen, theme, desk, readings
        width, height = screen.get_size()
        self.sizes = measures(width, height)
        self._letters = Letters(self.sizes.em)
        self._places = places(width, height, strip_height(width, self.sizes))
        self.picture = Picture(self._places.picture, rate, look)
        self._painters = [
            Painter(area, self.sizes, self._letters, theme, thumbs) for area in (self._places.pages, self._places.strip)
        ]

    def draw_texts(self) -> list[pygame.Rect] | None:
        """Draw what has changed on the pages and in the strip, and return where."""
        desk = self._desk
        parts = desk.cells(self._places, self.sizes, self._letters, self._ask())
        changed = []
        for painter, cells in zip(self._painters, parts, strict=True):
            changed += painter.draw(self._screen, cells, desk.focus, desk.typing)
        return changed

    def draw_all(self) -> None:
        """Draw everything."""
        self._screen.fill(self._theme.ground)
        self.picture.draw_all(self._screen)
        for painter in self._painters:
            painter.forget()
        self.draw_texts()
