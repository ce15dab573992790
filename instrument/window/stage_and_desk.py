"""The two views: the picture alone above a line of text, and the desk with the picture beside its pages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pygame

from instrument.window.beam_picture import Picture
from instrument.window.readings import FLOOR
from instrument.window.strip import strip_height
from instrument.window.theme import NIGHT, areas_for, sizes_for
from instrument.window.widgets.font import Font
from instrument.window.widgets.painter import Painter

if TYPE_CHECKING:
    from collections.abc import Callable

    from instrument.beam.look import Look
    from instrument.window.desk import Desk
    from instrument.window.strip import Readings
    from instrument.window.theme import Theme
    from instrument.window.widgets.painter import ThumbnailCache


@dataclass(frozen=True)
class Figures:
    """Words and figures of the line of text.

    Attributes
    ----------
    title, device : str
    levels : tuple of int
        Decibels below full scale, left and right.
    load : int
        Percent of its time that the callback needs.
    underflows, missed : int
        Blocks the device did not get in time; frames this window did not get to see.
    midi : str
        Latest message, or which ports there are.
    keyboard : str
        Lowest note of the computer keyboard.
    trouble : str
    legible : tuple of str
        Points of a cycle beside the drawing's corners, and the longest that these words become; or two nothings.
    """

    title: str
    device: str
    levels: tuple[int, int]
    load: int
    underflows: int
    missed: int
    midi: str
    keyboard: str
    trouble: str = ""
    legible: tuple[str, str] = ("", "")


@dataclass(frozen=True)
class _Piece:
    text: str
    width: int  # room kept for it, so that a changing figure moves nothing
    tone: str
    bar: float | None = None  # filled share of a bar drawn before the text


class TextLine:
    """The line of text, placed and drawn for one width of window."""

    def __init__(self, font: Font, width: int, theme: Theme = NIGHT) -> None:
        self._font, self._theme = font, theme
        self._width = width
        self._edge = font.em // 2 + 2

    def height(self, figures: Figures) -> int:
        """Return the height in pixels that the text needs."""
        lines = len(self._placed(figures)) + len(self._trouble(figures))
        return lines * self._font.line + self._edge

    def draw(self, target: pygame.Surface, figures: Figures) -> pygame.Rect:
        """Draw the text along the bottom of the window and return what it covers."""
        height = self.height(figures)
        area = pygame.Rect(0, target.get_height() - height, self._width, height)
        target.fill(self._theme.ground, area)
        y = area.top + self._edge // 2
        for line in self._trouble(figures):
            self._font.draw(target, line, (self._edge, y), self._theme.trouble)
            y += self._font.line
        for row in self._placed(figures):
            for x, piece in row:
                self._draw_piece(target, piece, x, y)
            y += self._font.line
        return area

    def _trouble(self, figures: Figures) -> list[str]:
        if not figures.trouble:
            return []
        return self._font.wrap(f"! {figures.trouble}", self._width - 2 * self._edge)

    def _placed(self, figures: Figures) -> list[list[tuple[int, _Piece]]]:
        gap = int(1.2 * self._font.em)
        rows: list[list[tuple[int, _Piece]]] = [[]]
        x = self._edge
        for piece in self._pieces(figures):
            if rows[-1] and x + piece.width > self._width - self._edge:
                rows.append([])
                x = self._edge
            rows[-1].append((x, piece))
            x += piece.width + gap
        return rows

    def _pieces(self, figures: Figures) -> list[_Piece]:
        room = self._width - 2 * self._edge
        pieces = [
            self._plain(self._cut(figures.title, room), tone="plain"),
            self._plain(self._cut(figures.device, room)),
            self._level("left", figures.levels[0]),
            self._level("right", figures.levels[1]),
            self._plain(f"load {figures.load} %", "load 100 %"),
            self._count("underflows", figures.underflows),
            self._count("missed frames", figures.missed),
            self._legible(*figures.legible),
            self._plain(self._cut(f"MIDI {figures.midi}", room), "MIDI control 21 = 127"),
            self._plain(f"keys from {figures.keyboard}", "keys from C-1"),
            self._plain("F1 help"),
        ]
        return [piece for piece in pieces if piece.text]

    def _plain(self, text: str, widest: str = "", tone: str = "quiet") -> _Piece:
        return _Piece(text, max(self._font.width(text), self._font.width(widest)), tone)

    def _count(self, name: str, count: int) -> _Piece:
        return self._plain(f"{name} {count}", f"{name} 000", "plain" if count else "quiet")

    def _legible(self, words: str, widest: str) -> _Piece:
        room = self._width - 2 * self._edge
        tone = "plain" if words.startswith("blurred") else "quiet"
        return self._plain(self._cut(words, room), self._cut(widest, room), tone)

    def _level(self, name: str, decibels: int) -> _Piece:
        silent = decibels <= FLOOR
        text = f"{name} silent" if silent else f"{name} {decibels} dB"
        width = max(self._font.width(f"{name} {end}") for end in ("-59 dB", "silent")) + 5 * self._font.em
        return _Piece(text, width, "quiet", bar=1.0 - decibels / FLOOR)

    def _draw_piece(self, target: pygame.Surface, piece: _Piece, x: int, y: int) -> None:
        if piece.bar is not None:
            length, thick = 4 * self._font.em, max(self._font.line // 3, 2)
            bar = pygame.Rect(x, y + (self._font.line - thick) // 2 - 1, length, thick)
            target.fill(self._theme.faint, bar)
            target.fill(self._theme.light, (*bar.topleft, round(length * min(max(piece.bar, 0.0), 1.0)), thick))
            x += 5 * self._font.em - self._font.em // 2
        self._font.draw(target, piece.text, (x, y), self._theme.text(piece.tone))

    def _cut(self, text: str, width: int) -> str:
        return self._font.cut(text, width)


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
        self.sizes = sizes_for(width, height)
        self._line = TextLine(Font(self.sizes.em), width, theme)
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
    thumbs : ThumbnailCache
    """

    def __init__(
        self,
        screen: pygame.Surface,
        rate: float,
        look: Look,
        theme: Theme,
        desk: Desk,
        readings: Callable[[], Readings],
        thumbs: ThumbnailCache,
    ) -> None:
        self._screen, self._theme, self._desk, self._ask = screen, theme, desk, readings
        width, height = screen.get_size()
        self.sizes = sizes_for(width, height)
        self._font = Font(self.sizes.em)
        self._areas = areas_for(width, height, strip_height(width, self.sizes))
        self.picture = Picture(self._areas.picture, rate, look)
        self._painters = [
            Painter(area, self.sizes, self._font, theme, thumbs) for area in (self._areas.pages, self._areas.strip)
        ]

    def draw_texts(self) -> list[pygame.Rect] | None:
        """Draw what has changed on the pages and in the strip, and return where."""
        desk = self._desk
        parts = desk.cells(self._areas, self.sizes, self._font, self._ask())
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
