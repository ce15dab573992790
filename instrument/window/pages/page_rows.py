"""Filling a page from the top: rows of cells, each shared out by weights."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pygame

from instrument.window.widgets.cells import Cell, box_of
from instrument.window.widgets.value_editing import bar_for, words_for

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from instrument.window.pages.context import Context
    from instrument.window.theme import Sizes
    from instrument.window.widgets.cells import Box


class Rows:
    """Cells one below the other.

    Parameters
    ----------
    room : pygame.Rect
    sizes : Sizes

    Attributes
    ----------
    cells : list of Cell
    y : int
        Where the next row begins.
    """

    def __init__(self, room: pygame.Rect, sizes: Sizes) -> None:
        self._room, self._sizes = room, sizes
        self.cells: list[Cell] = []
        self.y = room.top

    def boxes(self, weights: Sequence[float], rows: float = 1.0) -> list[Box]:
        """Return boxes of a row, as wide as their weights, and go on below it."""
        gap, left, height = self._sizes.gap, self._room.left, round(rows * self._sizes.row)
        free, total = self._room.width - gap * (len(weights) - 1), sum(weights)
        found, passed = [], 0.0
        for k, weight in enumerate(weights):
            x = left + k * gap + round(free * passed / total)
            passed += weight
            right = left + k * gap + round(free * passed / total)
            found.append(box_of(pygame.Rect(x, self.y, right - x, height)))
        self.y += height + max(gap // 2, 1)
        return found

    def space(self) -> None:
        """Leave a little room."""
        self.y += self._sizes.gap

    def title(self, key: str, text: str, *buttons: tuple[str, str, Callable[[], None]]) -> None:
        """Add a heading, with buttons of key, text and what they do at its right."""
        if self.cells:
            self.space()
        weights = [3.0, *(max(len(words) / 8, 0.8) for _, words, _ in buttons)]
        first, *rest = self.boxes(weights)
        self.add(Cell(f"title {key}", first, "title", text, tone="quiet"))
        for box, (name, words, act) in zip(rest, buttons, strict=True):
            self.add(Cell(name, box, "button", words, act=act))

    def add(self, cell: Cell) -> None:
        """Add a cell."""
        self.cells.append(cell)

    def line(self, key: str, text: str, tone: Any = "quiet") -> None:
        """Add a line of text."""
        self.add(Cell(key, self.boxes([1])[0], "text", text, tone=tone))


def value_cell(context: Context, box: Box, address: str, name: str, prefix: str = "") -> Cell:
    """Return the cell that shows a parameter and lets hands change it.

    Parameters
    ----------
    context : Context
    box : tuple of int
    address, name : str
        Parameter, and what to call it here.
    prefix : str
        Of the cell's key, where one parameter is shown twice.
    """
    value = context.live.value(address)
    movers = context.stage.movers(address)
    moves = context.live.is_modulated(address)
    return Cell(
        f"{prefix}{address}",
        box,
        "value",
        name,
        words_for(address, value),
        # Its channel has no room here, and is told below the page.
        mark=movers[0].split(" ch ")[0] + ("+" if len(movers) > 1 else "") if movers else "",
        tone="light" if moves else "plain",
        fill=bar_for(address, value) if movers else -1,
        address=address,
    )
