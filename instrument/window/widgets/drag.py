"""A hand on a value or a plot: dragging, and nudging by wheel and arrow keys, finer and coarser."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from instrument.engine.parameters import INDEX, ROWS
from instrument.window.widgets.number_words import COARSE, FINE, PIXELS_A_STEP, moved, rounded

if TYPE_CHECKING:
    from instrument.window.pages.context import Context
    from instrument.window.widgets.cells import Cell, Grab

STILL = 3
"""Pixels that a press may wander before it is a drag."""

SETTLED = 0.4
"""Seconds after which a value that was set is the engine's to tell; before that, it may not have arrived."""


class Hand:
    """What is held.

    Parameters
    ----------
    context : Context
    """

    def __init__(self, context: Context) -> None:
        self._context = context
        self._cell: Cell | None = None
        self._from = (0, 0)
        self._dragging = False
        self._given: dict[str, tuple[float, float]] = {}

    def take(self, cell: Cell, x: int, y: int, how: Grab) -> None:
        """Take hold of a cell."""
        if cell.grab is not None:
            self._grab(cell, how, x, y)
        if how == "press":
            self._cell, self._from, self._dragging = cell, (x, y), False

    def drag(self, x: int, y: int, held: frozenset[str]) -> None:
        """Move what is held: up and to the right is more."""
        cell = self._cell
        if cell is None:
            return
        if cell.grab is not None:
            self._grab(cell, "drag", x, y)
            return
        across, down = x - self._from[0], y - self._from[1]
        if not self._dragging and max(abs(across), abs(down)) < STILL:
            return
        self._dragging = True
        steps = (across - down) / PIXELS_A_STEP
        if _jumps(cell.address) and abs(steps) < 1:
            return
        self._from = x, y
        self.nudge(cell.address, steps, held)

    def release(self, x: int, y: int) -> None:
        """Let go."""
        if self._cell is not None and self._cell.grab is not None:
            self._grab(self._cell, "release", x, y)
        elif self._dragging:
            # Everything that was dragged is one step to undo.
            self._context.ask("release")
        self._cell, self._dragging = None, False

    def nudge(self, address: str, steps: float, held: frozenset[str]) -> None:
        """Move a value by steps: with Shift finer, with Ctrl coarser."""
        if not _jumps(address):
            steps *= FINE if "Shift" in held else COARSE if "Ctrl" in held else 1.0
        value = moved(address, self._base(address), steps)
        self._given[address] = value, time.monotonic()
        # Moved on from exactly, so that many small steps add up; set to what is shown, so that this is what is saved.
        self._context.set(address, rounded(value))

    def _base(self, address: str) -> float:
        value, when = self._given.get(address, (0.0, -SETTLED))
        if time.monotonic() - when < SETTLED:
            return value
        return self._context.live.base(address)

    def _grab(self, cell: Cell, how: Grab, x: int, y: int) -> None:
        left, top, width, height = cell.box
        if cell.grab is not None:
            cell.grab(how, (x - left) / max(width, 1), (y - top) / max(height, 1))


def _jumps(address: str) -> bool:
    # A choice moves by whole steps.
    return bool(ROWS[INDEX[address]].choices)
