"""Tables of curves and steps: as text, and under the mouse, which moves, adds and removes points."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, Any

from instrument.patch.number import NumberError, to_number
from instrument.window.widgets.modulator_plot import curve_shape, steps_shape

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from instrument.window.widgets.cells import Grab
    from instrument.window.widgets.modulator_plot import Points

_NEAR = 0.04
"""Share of the plot within which a breakpoint is taken hold of."""

Table = tuple[object, str, object]
"""Owner of a table, its kind, and what the patch holds of it."""


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
        """Points that may be dragged."""
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


def rows_of(modulator: dict[str, Any]) -> list[list[float]]:
    """Return the table of a curve, [time, value, bend], or of steps, [value, glide, probability, gate]."""
    kind = modulator.get("kind")
    usual = [0.0, 0.0, 0.0] if kind == "curve" else [0.0, 0.0, 1.0, 1.0]
    listed = modulator.get("points" if kind == "curve" else "steps")
    found = []
    for row in listed if isinstance(listed, list) else []:
        numbers = [_number(value) for value in (row if isinstance(row, list) else [row])][: len(usual)]
        found.append([*numbers, *usual[len(numbers) :]])
    return found


def _number(value: object) -> float:
    try:
        return to_number(value)
    except NumberError:
        return 0.0


def short_rows(kind: str, rows: Sequence[Sequence[float]]) -> list[Any]:
    """Return a table as short as a patch file takes it: without usual values at the end of rows.

    Examples
    --------
    >>> short_rows("steps", [[0.5, 0.0, 1.0, 1.0], [1.0, 0.2, 1.0, 1.0]])
    [0.5, [1.0, 0.2]]
    """
    usual = [None, None, 0.0] if kind == "curve" else [None, 0.0, 1.0, 1.0]
    found: list[Any] = []
    for row in rows:
        kept = list(row)
        while len(kept) > 1 and kept[-1] == usual[len(kept) - 1]:
            kept.pop()
        found.append(kept[0] if len(kept) == 1 else kept)
    return found


def typed_rows(kind: str, text: str) -> list[list[float]]:
    """Return the table that was typed: rows apart by semicolons, numbers by blanks.

    Raises
    ------
    ValueError
        If it cannot be played; the message is a clause.

    Examples
    --------
    >>> typed_rows("curve", "0 0; 0.5 1; 1 0")[1]
    [0.5, 1.0, 0.0]
    """
    least, usual = (2, [0.0, 0.0, 0.0]) if kind == "curve" else (1, [0.0, 0.0, 1.0, 1.0])
    found = []
    for part in (part.split() for part in text.split(";") if part.strip()):
        if not least <= len(part) <= len(usual):
            raise ValueError(f"a row has {least} to {len(usual)} numbers, and {' '.join(part)} has {len(part)}")
        try:
            numbers = [to_number(word) for word in part]
        except NumberError as error:
            raise ValueError(str(error)) from None
        if not all(math.isfinite(number) for number in numbers):
            raise ValueError("a table needs finite numbers")
        found.append([*numbers, *usual[len(numbers) :]])
    if not found:
        raise ValueError("it is empty")
    if kind == "curve" and any(a[0] > b[0] for a, b in itertools.pairwise(found)):
        raise ValueError("the times of a curve do not fall")
    return found


def rows_words(kind: str, rows: Sequence[Sequence[float]]) -> str:
    """Return a table as it is typed.

    Examples
    --------
    >>> rows_words("curve", [[0, 0, 0], [0.5, 1, 2]])
    '0 0; 0.5 1 2'
    """
    short = [row if isinstance(row, list) else [row] for row in short_rows(kind, rows)]
    return "; ".join(" ".join(f"{number:.4g}" for number in row) for row in short)
