"""A list to choose from, in place of a page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.window.pages.page_rows import Rows
from instrument.window.widgets.cells import Cell

if TYPE_CHECKING:
    from collections.abc import Callable

    import pygame

    from instrument.window.pages.context import Choice
    from instrument.window.widgets.sizes import Measures


def chooser_cells(
    room: pygame.Rect, sizes: Measures, title: str, choices: list[Choice], take: Callable[[Choice], None]
) -> tuple[list[Cell], list[Cell]]:
    """Return the heading, and the choices, three to a row.

    Parameters
    ----------
    room : pygame.Rect
    sizes : Measures
    title : str
    choices : list of Choice
    take : callable
        Takes the one that is pressed.
    """
    rows = Rows(room, sizes)
    rows.title("choose", f"{title} ...")
    rows.line("choose how", "Press one, or Esc to leave it.")
    fixed = len(rows.cells)
    for first in range(0, len(choices), 3):
        boxes = rows.boxes([1, 1, 1])
        for k, (box, choice) in enumerate(zip(boxes, choices[first : first + 3], strict=False), first):
            act = lambda choice=choice: take(choice)  # noqa: E731 - bound to this choice
            rows.add(Cell(f"choice {k}", box, "button", choice.text, act=act, about=choice.about))
    return rows.cells[:fixed], rows.cells[fixed:]
