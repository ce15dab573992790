"""Drawing cells: only those that look otherwise than before, and what has become free."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pygame

if TYPE_CHECKING:
    from instrument.window.theme import Sizes, Theme
    from instrument.window.widgets.cells import Cell
    from instrument.window.widgets.font import Font
    from instrument.window.widgets.typing_line import TypingLine

THOUSANDTHS = 1000

_Seen = tuple["Cell", bool, tuple[object, ...] | None]
"""A cell, whether the keyboard is at it, and what is typed there."""


@dataclass(frozen=True)
class Word:
    """A text in a cell: what is written, where from the cell's upper left corner, and in which tone."""

    text: str
    x: int
    y: int
    tone: str


class Painter:
    """Draws the cells of one part of the window.

    Parameters
    ----------
    area : pygame.Rect
    sizes : Sizes
    font : Font
    theme : Theme
    thumbs : ThumbnailCache, optional
        Small pictures of patches.
    """

    def __init__(
        self,
        area: pygame.Rect,
        sizes: Sizes,
        font: Font,
        theme: Theme,
        thumbs: ThumbnailCache | None = None,
    ) -> None:
        self._area, self._sizes, self._font, self._theme, self._thumbs = (
            area,
            sizes,
            font,
            theme,
            thumbs,
        )
        self._drawn: dict[str, _Seen] = {}

    def forget(self) -> None:
        """Draw everything anew next time."""
        self._drawn = {}

    def draw(
        self, target: pygame.Surface, cells: list[Cell], focus: str = "", typing: TypingLine | None = None
    ) -> list[pygame.Rect]:
        """Draw what has changed and return where.

        Parameters
        ----------
        target : pygame.Surface
        cells : list of Cell
        focus : str
            Key of the cell that the keyboard is at.
        typing : TypingLine, optional
            What is being typed into that cell.
        """
        wanted: dict[str, _Seen] = {}
        for cell in cells:
            chosen = cell.key == focus
            wanted[cell.key] = (cell, chosen, typing.state if chosen and typing is not None else None)
        same_places = wanted.keys() == self._drawn.keys() and all(
            self._drawn[key][0].box == cell.box for key, (cell, _, _) in wanted.items()
        )
        before, self._drawn = self._drawn, wanted
        if not same_places:
            target.fill(self._theme.ground, self._area)
        changed = []
        clip = target.get_clip()
        for cell in cells:
            if same_places and before[cell.key] == wanted[cell.key]:
                continue
            box = pygame.Rect(cell.box).clip(self._area)
            target.set_clip(box)
            self._draw_cell(target, cell, cell.key == focus, typing if cell.key == focus else None)
            changed.append(box)
        target.set_clip(clip)
        return changed if same_places else [self._area]

    def _draw_cell(self, target: pygame.Surface, cell: Cell, focused: bool, typing: TypingLine | None) -> None:
        theme, box = self._theme, pygame.Rect(cell.box)
        raised = cell.kind in {"value", "button", "field", "plot"}
        ground = theme.chosen if cell.on else theme.raised if raised else theme.ground
        target.fill(ground, box)
        if cell.kind == "scroll":
            self._draw_scroll_bar(target, cell, box)
            return
        if cell.kind == "plot":
            self._draw_plot(target, cell, box)
        elif cell.kind == "thumb":
            self._draw_thumb(target, cell, box)
        if typing is not None:
            self._draw_typing(target, cell, box, typing)
        else:
            self._draw_words(target, cell, box)
        if cell.fill >= 0:
            self._draw_bar(target, cell, box)
        if cell.on and cell.kind in {"button", "thumb"}:
            # By shape as well as by colour.
            target.fill(theme.light, (box.left, box.top, max(self._sizes.em // 5, 3), box.height))
        if focused:
            pygame.draw.rect(target, theme.light, box, max(self._sizes.em // 10, 2))

    def words_in(self, cell: Cell) -> list[Word]:
        """Return the texts of a cell where they are drawn: whole, or with dots for what has no room.

        A value comes before all else. Where there is no room for everything, its unit goes first, then the end of what
        moves it, then the end of its name; a unit and a key that are not seen are told by the help.
        """
        if cell.kind in {"plot", "scroll"}:
            return [Word(cell.text, self._pad, 0, "quiet")] if cell.text else []
        if cell.kind == "thumb":
            return self._words_beside_picture(cell)
        if cell.kind == "button" and not cell.value:
            return self._words_in_middle(cell)
        font, pad = self._font, self._pad
        # Above a meter's bar, whose tick must not cross the letters.
        y = (cell.box[3] - font.line) // 2 + 1 - (2 if cell.kind == "meter" else 0)
        room = cell.box[2] - 2 * pad
        value = font.cut(cell.value, room)
        spare = room - font.width(value) - (font.width(cell.text) + pad if cell.text and value else 0)
        mark = cell.mark
        if mark and font.width(mark) + pad > spare:
            # At least a quarter of the cell, at the cost of the name.
            mark = font.cut(mark, max(spare - pad, min(room // 4, room - font.width(value) - pad)))
        spare -= font.width(mark) + pad if mark else 0
        unit = cell.unit if cell.unit and font.width(cell.unit) + pad // 2 <= spare else ""
        found = []
        right = cell.box[2] - pad
        for text, tone, gap in ((mark, "light", pad), (unit, "quiet", pad // 2), (value, self._tone(cell), pad)):
            if text:
                right -= font.width(text)
                found.append(Word(text, right, y, tone))
                right -= gap
        name_tone = "plain" if cell.on or not cell.value else "quiet"
        if cell.kind in {"title", "text"} and not cell.value:
            name_tone = cell.tone
        words = font.cut(cell.text, max(right - pad, 0))
        return [*found, Word(words, pad, y, name_tone)] if words else found

    def _words_in_middle(self, cell: Cell) -> list[Word]:
        font, pad = self._font, self._pad
        y = (cell.box[3] - font.line) // 2 + 1
        room = cell.box[2] - 2 * pad
        # A key that has no room beside the word is on the help page too.
        wide = font.width(cell.text) + (font.width(cell.mark) + pad if cell.mark else 0)
        mark = cell.mark if wide <= room + pad else ""
        words = font.cut(cell.text, room)
        wide = font.width(words) + (font.width(mark) + pad if mark else 0)
        x = (cell.box[2] - wide) // 2
        found = [Word(words, x, y, self._tone(cell))]
        if mark:
            found.append(Word(mark, x + font.width(words) + pad, y, "plain" if cell.on else "quiet"))
        return found

    def _words_beside_picture(self, cell: Cell) -> list[Word]:
        font, pad = self._font, self._pad
        left = self._picture_in(cell).right + pad
        y, room = cell.box[3] // 2 - font.line, cell.box[2] - left - pad
        lines = ((cell.text, self._tone(cell)), (cell.mark, "plain" if cell.on else "quiet"))
        return [Word(font.cut(text, room), left, y + k * font.line, tone) for k, (text, tone) in enumerate(lines)]

    def _picture_in(self, cell: Cell) -> pygame.Rect:
        side = cell.box[3] - 4
        return pygame.Rect(self._sizes.em // 3, 2, side, side)

    def _draw_words(self, target: pygame.Surface, cell: Cell, box: pygame.Rect) -> None:
        for word in self.words_in(cell):
            self._font.draw(target, word.text, (box.left + word.x, box.top + word.y), self._theme.text(word.tone))
        if cell.kind == "title":
            thin = max(self._sizes.em // 12, 1)
            target.fill(self._theme.faint, (box.left, box.bottom - thin, box.width, thin))

    def _tone(self, cell: Cell) -> str:
        return "plain" if cell.on and cell.tone in {"quiet", "trouble"} else cell.tone

    def _draw_typing(self, target: pygame.Surface, cell: Cell, box: pygame.Rect, typing: TypingLine) -> None:
        font, theme, pad = self._font, self._theme, self._pad
        y = box.top + (box.height - font.line) // 2 + 1
        name = font.cut(cell.text, box.width // 3)
        x = box.left + pad + (font.draw(target, name, (box.left + pad, y), theme.quiet) + pad if name else 0)
        room = box.right - pad - x
        # What is left of the caret is always in sight.
        shift = max(font.width(typing.text[: typing.caret]) - room + pad, 0)
        if typing.whole and typing.text:
            wide = min(font.width(typing.text), room)
            target.fill(theme.chosen, (x, box.top + 2, wide, box.height - 4))
        clip = target.get_clip()
        target.set_clip(pygame.Rect(x, box.top, room, box.height).clip(clip))
        font.draw(target, typing.text, (x - shift, y), theme.plain)
        at = x - shift + font.width(typing.text[: typing.caret])
        target.fill(theme.light, (at, box.top + 3, max(self._sizes.em // 8, 2), box.height - 6))
        if typing.wrong is not None:
            column = x - shift + font.width(typing.text[: typing.wrong[0] - 1])
            thick = max(self._sizes.em // 6, 3)
            wide = max(box.right - column - pad, self._sizes.em)
            for k in range(0, min(wide, 3 * self._sizes.em), 2 * thick):
                target.fill(theme.trouble, (column + k, box.bottom - thick - 1, thick, thick))
        target.set_clip(clip)

    def _draw_bar(self, target: pygame.Surface, cell: Cell, box: pygame.Rect) -> None:
        theme, thick = self._theme, max(self._sizes.em // 6, 2)
        if cell.kind == "meter":
            thick = max(self._sizes.em // 6, 3)
        left, wide = box.left + self._pad, box.width - 2 * self._pad
        top = box.bottom - thick - 1
        target.fill(theme.faint, (left, top, wide, thick))
        target.fill(theme.light, (left, top, wide * min(cell.fill, THOUSANDTHS) // THOUSANDTHS, thick))
        if cell.peak >= 0:
            at = left + (wide - thick) * min(cell.peak, THOUSANDTHS) // THOUSANDTHS
            target.fill(theme.ground, (at - 1, top, max(thick // 2, 2) + 2, thick))
            target.fill(theme.plain, (at, top, max(thick // 2, 2), thick))

    def _draw_plot(self, target: pygame.Surface, cell: Cell, box: pygame.Rect) -> None:
        theme, thin = self._theme, max(self._sizes.em // 14, 1)
        target.fill(theme.faint, (box.left, box.centery, box.width, 1))
        if cell.at >= 0:
            target.fill(theme.plain, (box.left + cell.at, box.top, max(2 * thin, 2), box.height))
        moved = [(box.left + x, box.top + y) for x, y in cell.points]
        if len(moved) > 1:
            pygame.draw.lines(target, theme.light, False, moved, 2 * thin)
        for x, y in cell.handles:
            size = max(self._sizes.em // 2, 6)
            handle = pygame.Rect(0, 0, size, size)
            handle.center = (box.left + x, box.top + y)
            target.fill(theme.plain, handle)

    def _draw_thumb(self, target: pygame.Surface, cell: Cell, box: pygame.Rect) -> None:
        place = self._picture_in(cell).move(box.topleft)
        picture = self._thumbs.surface(cell.picture, place.width) if self._thumbs is not None else None
        if picture is not None:
            target.blit(picture, place)
        else:
            pygame.draw.rect(target, self._theme.faint, place, 1)

    def _draw_scroll_bar(self, target: pygame.Surface, cell: Cell, box: pygame.Rect) -> None:
        first, last = (box.height * share // THOUSANDTHS for share in (cell.fill, cell.peak))
        target.fill(self._theme.faint, box)
        target.fill(self._theme.quiet, (box.left, box.top + first, box.width, max(last - first, 2)))

    @property
    def _pad(self) -> int:
        return max(self._sizes.em // 2, 3)


_KEPT = 200


class ThumbnailCache:
    """Pictures for the set list, kept as they are drawn."""

    def __init__(self) -> None:
        self._surfaces: dict[tuple[str, int], pygame.Surface] = {}

    def surface(self, file: str, side: int) -> pygame.Surface | None:
        """Return a picture for the screen, or None if there is none that can be read."""
        if not file or side < 1:
            return None
        found = self._surfaces.get((file, side))
        if found is None and Path(file).exists():
            try:
                loaded = pygame.image.load(file)
            except (OSError, pygame.error):
                return None
            if len(self._surfaces) >= _KEPT:
                self._surfaces.clear()
            found = self._surfaces[file, side] = pygame.transform.smoothscale(loaded.convert(), (side, side))
        return found
