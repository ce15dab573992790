"""Cells of parameters: every value that the patch has, in groups and lines that follow from the parameter table."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from instrument.engine.parameters import INDEX, ROWS
from instrument.window.widgets.cells import Cell
from instrument.window.widgets.value_editing import bar_for, figure, unit_for, words_for

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from instrument.window.pages.context import Context
    from instrument.window.widgets.cells import Box, Rows

ACROSS = 3
"""Values in a line."""

GRID = (0.48, 1.0, 1.0, 1.0)
"""Widths of the columns of a page: the name of a line, and its values. In a line without a name, the first value has
both, so that the edges of all lines stand below each other."""

_SIGNAL = ("source", "pen", "notes", "form", "place", "level")
"""Groups of a layer in the order of the signal; one that is not here comes behind them."""

ALWAYS = ("source", "form")
"""Groups that a layer has although nothing in them can be played: what it draws, and the forms that can be added."""

Line = tuple[str, tuple[str, ...]]
"""Name of a line of values, or nothing, and the last words of their addresses with what stands before them."""


def groups_of(names: Iterable[str], always: Sequence[str] = ()) -> dict[str, list[str]]:
    """Return names of parameters by the group that they belong to, the groups in the order of the signal.

    Parameters
    ----------
    names : sequence of str
        Addresses below their owner, as in ``place.spin.y``, in the order of the table.
    always : sequence of str, optional
        Groups that are there even if they are empty.

    Examples
    --------
    >>> groups_of(["level", "pen.key", "place.size", "pen.bend"])
    {'pen': ['pen.key', 'pen.bend'], 'place': ['place.size'], 'level': ['level']}
    """
    found: dict[str, list[str]] = {group: [] for group in always}
    for name in names:
        found.setdefault(name.partition(".")[0], []).append(name)
    order = {group: k for k, group in enumerate(_SIGNAL)}
    return {group: found[group] for group in sorted(found, key=lambda group: order.get(group, len(order)))}


@lru_cache(maxsize=256)
def lines_of(names: tuple[str, ...], stem: str = "") -> list[Line]:
    """Return how names stand in lines: those that differ in their last word side by side behind what they share.

    Names of one word come first, so that they fill their lines.

    Parameters
    ----------
    names : tuple of str
    stem : str
        What all of them begin with and no line needs to say.

    Examples
    --------
    >>> lines_of(("place.size", "place.scale.x", "place.scale.y", "place.camera"), "place")
    [('', ('place.size', 'place.camera')), ('scale', ('place.scale.x', 'place.scale.y'))]
    """
    lines: dict[str, list[str]] = {"": []}
    for name in names:
        below = name.removeprefix(f"{stem}.") if stem else name
        lines.setdefault(below.rpartition(".")[0].replace(".", " "), []).append(name)
    return [(words, tuple(rest[k : k + ACROSS])) for words, rest in lines.items() for k in range(0, len(rest), ACROSS)]


def add_values(rows: Rows, context: Context, owner: str, names: Sequence[str], stem: str = "") -> None:
    """Add the cells of an owner's parameters, in lines.

    Parameters
    ----------
    rows : Rows
    context : Context
    owner : str
        As ``layer.1``; nothing for those of the whole patch.
    names : sequence of str
        Addresses below the owner.
    stem : str
        What all of them begin with and no line needs to say.
    """
    for words, line in lines_of(tuple(names), stem):
        boxes = rows.boxes(GRID) if words else rows.boxes(GRID, spans=(2, 1, 1))
        if words:
            first, *boxes = boxes
            rows.add(Cell(f"name {owner} {line[0]}", first, "text", words, tone="quiet"))
        for box, name in zip(boxes, line, strict=False):
            address = f"{owner}.{name}" if owner else name
            rows.add(value_cell(context, box, address, name.rpartition(".")[2].replace("_", " ")))


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
    live = context.live
    value = live.value(address)
    movers = context.stage.movers(address)
    return Cell(
        f"{prefix}{address}",
        box,
        "value",
        name,
        words_for(address, value),
        unit=unit_for(address, value, live),
        # Its channel has no room here, and is told below the page.
        mark=movers[0].split(" ch ")[0] + ("+" if len(movers) > 1 else "") if movers else "",
        tone="light" if live.is_modulated(address) else "plain",
        fill=bar_for(value, context.stage.range_of(address)) if movers else -1,
        address=address,
    )


def about_value(context: Context, address: str) -> str:
    """Return what a parameter does, its unit, how far a knob usually moves it, and what moves it, in one line."""
    row = ROWS[INDEX[address]]
    words = f"{address}: {row.about}"
    if row.choices:
        words += f": {', '.join(row.choices)}; a press takes the next one."
    else:
        low, high, _ = context.stage.range_of(address)
        words += f" ({row.unit}, usually {figure(low)} to {figure(high)})."
    movers = [mover.removeprefix("by ") for mover in context.stage.movers(address)]
    return f"{words} Moved by {', '.join(movers)}." if movers else words
