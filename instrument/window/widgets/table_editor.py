"""Breakpoints and steps under the mouse: taking hold of one, moving it, adding and taking away."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.window.widgets.modulator_shapes import curve_shape, rows_of, steps_shape

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from instrument.window.widgets.cells import Grab
    from instrument.window.widgets.modulator_shapes import Points

_NEAR = 0.04
"""Share of the plot within which a breakpoint is taken hold of."""

Table = tuple[object, str, object]
"""What a table belongs to, its kind, and what the patch holds of it."""


class TableEditor:
    """The table of the curve or the steps of one modulator.

    Parameters
    ----------
    give : callable
        Takes the rows when a hand lets go, and what was shown when it took hold, which is what they are made from.
    """

    def __init__(self, give: Callable[[Table, list[list[float]]], None]) -> None:
        self._give = give
        self._rows: list[list[float]] = []
        self._held: int | None = None
        self._shown: Table = (None, "", None)
        self._line: Points | None = None

    def show(self, table: Table, modulator: dict[str, Any]) -> None:
        """Show what the patch holds, unless a hand holds a point; what it holds may lag behind a hand."""
        if self._held is None and table != self._shown:
            self._shown = table
            self._rows, self._line = rows_of(modulator), None

    def forget(self) -> None:
        """Take what the patch holds in place of what a hand has made."""
        self._shown, self._held = (None, "", None), None

    @property
    def rows(self) -> list[list[float]]:
        """The table as it is seen."""
        return self._rows

    @property
    def line(self) -> Points:
        """The line to draw."""
        if self._line is None:
            self._line = curve_shape(self._rows) if self._kind == "curve" else steps_shape(self._rows)
        return self._line

    @property
    def handles(self) -> Points:
        """Where the points lie that may be dragged."""
        if self._kind == "curve":
            return [(row[0], row[1]) for row in self._rows]
        count = len(self._rows)
        return [((k + 0.5) / count, row[0]) for k, row in enumerate(self._rows)]

    def grab(self, what: Grab, x: float, value: float) -> None:
        """Take hold of the table at a place of the cycle and a value, move what is held, let it go, or take it away."""
        if not self._rows:
            return
        self._line = None
        if what == "press":
            self._take_hold(x, value)
        elif what == "remove":
            self._remove(x)
        if self._held is not None and what in {"press", "drag"}:
            self._move(self._held, x, value)
        if what == "release" and self._held is not None:
            self._held = None
            self._give(self._shown, self._rows)

    @property
    def _kind(self) -> str:
        return self._shown[1]

    def _take_hold(self, x: float, value: float) -> None:
        if self._kind == "steps":
            self._held = min(int(x * len(self._rows)), len(self._rows) - 1)
            return
        nearest = min(range(len(self._rows)), key=lambda k: abs(self._rows[k][0] - x))
        if abs(self._rows[nearest][0] - x) > _NEAR:
            nearest = sum(row[0] <= x for row in self._rows)
            self._rows.insert(nearest, [x, value, 0.0])
        self._held = nearest

    def _move(self, k: int, x: float, value: float) -> None:
        if self._kind == "steps":
            # Steps are drawn over in one go.
            k = min(max(int(x * len(self._rows)), 0), len(self._rows) - 1)
            self._rows[k][0] = value
            return
        before = self._rows[k - 1][0] if k else 0.0
        after = self._rows[k + 1][0] if k + 1 < len(self._rows) else 1.0
        self._rows[k][0] = min(max(x, before), after)
        self._rows[k][1] = value

    def _remove(self, x: float) -> None:
        if len(self._rows) < 2:
            return
        places = self.handles
        nearest = min(range(len(places)), key=lambda k: abs(places[k][0] - x))
        if self._kind == "steps" or abs(places[nearest][0] - x) <= _NEAR:
            del self._rows[nearest]
            self._give(self._shown, self._rows)
