"""Cells: the things on a page, what they show, what hands may do with them, and how they stand in rows."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pygame

    from instrument.window.theme import Sizes

Kind = Literal["text", "title", "value", "button", "field", "plot", "meter", "thumb", "scroll"]
Tone = Literal["plain", "quiet", "light", "trouble"]
Grab = Literal["press", "drag", "release", "remove"]
Box = tuple[int, int, int, int]

Button = tuple[str, str, "Callable[[], None]"]
"""Key, text, and what it does."""


@dataclass(frozen=True)
class TextEntry:
    """A text that may be typed into a cell.

    Attributes
    ----------
    text : str
        What stands there to begin with.
    give : callable
        Takes what was typed, and returns why it is refused, or nothing.
    check : callable or None
        Returns column (from 1) and reason of what is wrong with a text while it is typed, or None.
    live : bool
        Whether every change is given, and not only the last one.
    """

    text: str
    give: Callable[[str], str]
    check: Callable[[str], tuple[int, str] | None] | None = None
    live: bool = False


@dataclass(frozen=True)
class Cell:
    """One thing on a page. Two cells that look alike are equal, whatever they do.

    Attributes
    ----------
    key : str
        The same for the same thing as long as the page is shown.
    box : tuple of int
        Left, top, width and height.
    kind : str
    text : str
        Its name, on the left.
    value : str
        On the right.
    unit : str
        Of the value, in quiet letters behind it; left out where there is no room.
    mark : str
        What moves it, or its key: small words behind the value.
    tone : str
    on : bool
        Chosen, or switched on; shown by a sign as well as by colour.
    fill : int
        Filled thousandths of its bar; -1 for no bar.
    peak : int
        Thousandths at which the bar has a tick; -1 for none.
    points : tuple of (int, int)
        Line of a plot in pixels from its upper left corner.
    handles : tuple of (int, int)
        Points of it that may be dragged.
    at : int
        Column of a plot that is played now; -1 for none.
    address : str
        Parameter that it shows and changes.
    act, grab, typed : what hands may do
        Press; press, drag or remove at a place (0 to 1, from left and from top); type.
    about : str
        A sentence on it for the line at the bottom.
    """

    key: str
    box: Box
    kind: Kind = "text"
    text: str = ""
    value: str = ""
    unit: str = ""
    mark: str = ""
    tone: Tone = "plain"
    on: bool = False
    fill: int = -1
    peak: int = -1
    points: tuple[tuple[int, int], ...] = ()
    handles: tuple[tuple[int, int], ...] = ()
    at: int = -1
    address: str = ""
    picture: str = ""
    act: Callable[[], None] | None = field(default=None, compare=False)
    grab: Callable[[Grab, float, float], None] | None = field(default=None, compare=False)
    typed: TextEntry | None = field(default=None, compare=False)
    about: str = field(default="", compare=False)

    @property
    def interactive(self) -> bool:
        """True if a hand can do anything with it."""
        return bool(self.address or self.act or self.grab or self.typed)

    def holds(self, x: int, y: int) -> bool:
        """Return whether a place in the window lies in it."""
        left, top, width, height = self.box
        return left <= x < left + width and top <= y < top + height


def box_of(rect: pygame.Rect) -> Box:
    """Return a rectangle as a cell takes it."""
    return rect.left, rect.top, rect.width, rect.height


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

    def boxes(self, weights: Sequence[float], rows: float = 1.0, spans: Sequence[int] = ()) -> list[Box]:
        """Return boxes of a row, as wide as their weights, and go on below it.

        Parameters
        ----------
        weights : sequence of float
            Widths of the columns.
        rows : float
            Height, in rows.
        spans : sequence of int, optional
            Columns that each box covers, where that is not one.
        """
        height, y = round(rows * self._sizes.row), self.y
        self.y += height + max(self._sizes.gap // 2, 1)
        columns = _columns(self._room.left, self._room.width, self._sizes.gap, tuple(weights), tuple(spans))
        return [(left, y, width, height) for left, width in columns]

    def space(self) -> None:
        """Leave a little room."""
        self.y += self._sizes.gap

    def title(self, key: str, text: str, *buttons: Button, fold: Callable[[], None] | None = None) -> None:
        """Add a heading, with buttons of key, text and what they do at its right; a press on it may fold its group."""
        if self.cells:
            self.space()
        weights = [3.0, *(max(len(words) / 8, 0.8) for _, words, _ in buttons)]
        first, *rest = self.boxes(weights)
        about = "Press to fold these values away, or to open them." if fold is not None else ""
        self.add(Cell(f"title {key}", first, "title", text, tone="quiet", act=fold, about=about))
        for box, (name, words, act) in zip(rest, buttons, strict=True):
            self.add(Cell(name, box, "button", words, act=act))

    def add(self, cell: Cell) -> None:
        """Add a cell."""
        self.cells.append(cell)

    def line(self, key: str, text: str, tone: Any = "quiet") -> None:
        """Add a line of text."""
        self.add(Cell(key, self.boxes([1])[0], "text", text, tone=tone))


@lru_cache(maxsize=256)
def _columns(
    left: int, width: int, gap: int, weights: tuple[float, ...], spans: tuple[int, ...]
) -> list[tuple[int, int]]:
    # Left edge and width of each box of a row. The same few rows are asked for again and again.
    free, total = width - gap * (len(weights) - 1), sum(weights)
    edges = [
        (
            left + k * gap + round(free * sum(weights[:k]) / total),
            left + k * gap + round(free * sum(weights[: k + 1]) / total),
        )
        for k in range(len(weights))
    ]
    first, found = 0, []
    for span in spans or (1,) * len(weights):
        found.append((edges[first][0], edges[first + span - 1][1] - edges[first][0]))
        first += span
    return found


def next_key(cells: list[Cell], key: str, step: int) -> str:
    """Return the cell that follows in reading order among those that answer; nothing if none does."""
    keys = [cell.key for cell in cells if cell.interactive]
    if not keys:
        return ""
    if key not in keys:
        return keys[0 if step > 0 else -1]
    return keys[(keys.index(key) + step) % len(keys)]


def beside(cells: list[Cell], key: str, across: int, down: int) -> str:
    """Return the nearest cell that answers in a direction, or the same one if there is none.

    Parameters
    ----------
    cells : list of Cell
    key : str
        Where to begin.
    across, down : int
        -1, 0 or 1 each.
    """
    here = next((cell for cell in cells if cell.key == key), None)
    if here is None:
        return next_key(cells, key, across + down or 1)
    best, nearest = key, float("inf")
    x, y = _middle(here)
    for cell in cells:
        if cell.key == key or not cell.interactive:
            continue
        dx, dy = _middle(cell)[0] - x, _middle(cell)[1] - y
        along = dx * across + dy * down
        aside = abs(dx * down) + abs(dy * across)
        if along > min(here.box[2] if across else here.box[3], 2):
            away = along + 3 * max(aside - (here.box[2] + cell.box[2]) // 4 if down else aside, 0)
            if away < nearest:
                best, nearest = cell.key, away
    return best


def _middle(cell: Cell) -> tuple[int, int]:
    left, top, width, height = cell.box
    return left + width // 2, top + height // 2
