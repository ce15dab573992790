"""The page Motion: modulators with their shape and phase, what each moves, and how far."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

from instrument.engine.modulators.modulator_table import MODULATOR_TABLE
from instrument.engine.parameters import INDEX, LINKS, MODULATORS
from instrument.patch.schema.modulators import KIND_ROWS
from instrument.window.live_values import ModulatorHistory
from instrument.window.pages.context import Choice, Context
from instrument.window.pages.parameter_cells import GRID, add_values
from instrument.window.widgets.cells import Cell, Rows, TextEntry
from instrument.window.widgets.modulator_plot import STAGES, PlotFrame, envelope_shape, lfo_name, lfo_shape
from instrument.window.widgets.table_editor import Table, TableEditor, rows_words, short_rows, typed_rows
from instrument.window.widgets.typing_line import check_formula
from instrument.window.widgets.value_editing import figure

if TYPE_CHECKING:
    import pygame

    from instrument.window.theme import Sizes
    from instrument.window.widgets.cells import Box, Grab
    from instrument.window.widgets.modulator_plot import Points

PLOT_ROWS = 5.0
_TABLES = {"curve": "points", "steps": "steps"}

NEW_MODULATORS: dict[str, dict[str, Any]] = {
    name: {"kind": name, **kind.begins} for name, kind in MODULATOR_TABLE.items()
}
"""A new modulator of each kind, which does something at once."""


class MotionPage:
    """The modulators of the patch, and their links."""

    name = "Motion"

    def __init__(self, context: Context) -> None:
        self._context = context
        self._history = ModulatorHistory(context.live)
        self._editors: dict[int, TableEditor] = {}
        self._given: dict[int, Table] = {}

    def update(self) -> None:
        """Note what the modulators are now."""
        self._history.update(len(self._context.stage.tables("modulator")))

    def cells(self, room: pygame.Rect, sizes: Sizes) -> tuple[list[Cell], list[Cell]]:
        """Return the list of modulators with the plot of the chosen one, and its values and links."""
        rows = Rows(room, sizes)
        modulators = self._context.stage.tables("modulator")
        chosen = min(max(self._context.modulator, 1), max(len(modulators), 1))
        add = ("add modulator", "+ modulator", self._choose_new) if len(modulators) < MODULATORS else None
        rows.title("modulators", "Modulators", *([add] if add else []))
        if not modulators:
            rows.line("none", "This patch has no modulators: nothing moves by itself.")
            return rows.cells, []
        # As many beside each other as leave room for the rest of the page.
        across = 2 if len(modulators) <= 8 else 4
        for k in range(0, len(modulators), across):
            boxes = rows.boxes([1] * across)
            for box, number in zip(boxes, range(k + 1, min(k + across, len(modulators)) + 1), strict=False):
                rows.add(self._list_cell(box, number, modulators[number - 1], number == chosen))
        self._add_plot(rows, modulators[chosen - 1], chosen)
        fixed = len(rows.cells)
        self._add_values(rows, modulators[chosen - 1], chosen)
        self._add_links(rows, chosen)
        return rows.cells[:fixed], rows.cells[fixed:]

    def _list_cell(self, box: Box, number: int, modulator: dict[str, Any], chosen: bool) -> Cell:
        value = self._context.live.modulator(number)
        finite = value if math.isfinite(value) else 0.0

        def show() -> None:
            self._context.modulator = number

        return Cell(
            f"modulator {number}",
            box,
            "button",
            self._context.stage.modulator_name(number),
            value=str(modulator.get("kind") or "lfo"),
            on=chosen,
            fill=round(500 + 500 * min(max(finite, -1.0), 1.0)),
            act=show,
            about=f"Modulator {number}. The bar is what it is now, from -1 to 1.",
        )

    # The plot

    def _add_plot(self, rows: Rows, modulator: dict[str, Any], number: int) -> None:
        (box,) = rows.boxes([1], PLOT_ROWS)
        kind = str(modulator.get("kind") or "lfo")
        line, at, handles = self._line(kind, modulator, number)
        frame = PlotFrame.around(line)
        wide, tall = box[2] - 1, box[3] - 1

        def grab(what: Grab, x: float, y: float) -> None:
            self._editors[number].grab(what, min(max(x, 0.0), 1.0), round(frame.value(y), 3))

        about = "One cycle; the upright line is where it is now."
        if handles:
            about = "Drag a point; press beside it for a new one, with the right button to take it away."
        elif at < 0:
            about = "The latest seconds."
        rows.add(
            Cell(
                f"plot {number}",
                box,
                "plot",
                points=frame.pixels(line, wide, tall),
                handles=frame.pixels(handles, wide, tall),
                at=round(at * wide) if at >= 0 else -1,
                grab=grab if handles else None,
                about=about,
            )
        )
        if kind in _TABLES:
            self._add_table_line(rows, kind, number)
        elif kind == "formula":
            self._add_formula_line(rows, str(modulator.get("formula") or ""), number)

    def _line(self, kind: str, modulator: dict[str, Any], number: int) -> tuple[Points, float, Points]:
        live = self._context.live
        if kind == "lfo":
            shape = live.value(f"mod.{number}.shape")
            width = live.value(f"mod.{number}.width")
            return lfo_shape(lfo_name(shape), width), live.phase(number), []
        if kind in _TABLES:
            editor = self._editors.setdefault(number, TableEditor(partial(self._give_table, number)))
            editor.show(self._table(number), modulator)
            return editor.line, live.phase(number), editor.handles
        if kind == "envelope":
            line, stages = envelope_shape(lambda name: live.value(f"mod.{number}.{name}"))
            return line, self._place_of_envelope(number, stages), []
        if kind == "gesture" and (cells := live.gesture(number)):
            return [(k / len(cells), value) for k, value in enumerate(cells)], live.phase(number), []
        return self._history.line(number), -1.0, []

    def _place_of_envelope(self, number: int, stages: dict[str, tuple[float, float]]) -> float:
        stage = self._context.live.stage(number)
        if not 1 <= stage <= len(STAGES):
            return 0.0
        name = STAGES[stage - 1]
        level = self._context.live.modulator(number)
        sustain = self._context.live.value(f"mod.{number}.sustain")
        passed = {
            "attack": level,
            "decay": (1.0 - level) / (1.0 - sustain) if sustain != 1.0 else 0.0,
            "release": 1.0 - level / sustain if sustain else 1.0,
        }.get(name, 0.5)
        begin, end = stages[name]
        passed = passed if math.isfinite(passed) else 0.5
        return begin + (end - begin) * min(max(passed, 0.0), 1.0)

    def _add_table_line(self, rows: Rows, kind: str, number: int) -> None:
        text = rows_words(kind, self._editors[number].rows)

        def check(typed: str) -> tuple[int, str] | None:
            try:
                typed_rows(kind, typed)
            except ValueError as error:
                return 1, str(error)
            return None

        def give(typed: str) -> str:
            try:
                table = typed_rows(kind, typed)
            except ValueError as error:
                return f"This is not taken: {error}."
            self._context.ask("edit", path=["modulator", number - 1, _TABLES[kind]], value=short_rows(kind, table))
            return ""

        what = "time value bend; ..." if kind == "curve" else "value glide probability gate; ..."
        (box,) = rows.boxes([1])
        about = f"The table as text: {what} Rows are apart by semicolons; what is left out is as usual."
        line = TextEntry(text, give, check)
        rows.add(Cell(f"table {number}", box, "field", _TABLES[kind], text, typed=line, about=about))

    def _add_formula_line(self, rows: Rows, text: str, number: int) -> None:
        def give(typed: str) -> str:
            self._context.ask("edit", path=["modulator", number - 1, "formula"], value=typed)
            return ""

        (box,) = rows.boxes([1])
        about = "Every change that can be read is played; the marks show the column that cannot."
        line = TextEntry(text, give, check_formula, live=True)
        rows.add(Cell(f"formula {number}", box, "field", "value =", text, typed=line, about=about))

    def _table(self, number: int) -> Table:
        # Two patches may have the same table at the same place.
        stage = self._context.stage
        modulators = stage.tables("modulator")
        modulator = modulators[number - 1] if number <= len(modulators) else {}
        kind = str(modulator.get("kind"))
        patch = stage.text("patch"), stage.all.get("current"), modulator.get("name")
        return patch, kind, modulator.get(_TABLES.get(kind, ""))

    def _give_table(self, number: int, taken_from: Table, table: list[list[float]]) -> None:
        # What was given before may have come back while the next point was held.
        if self._table(number) not in (taken_from, self._given.get(number)):
            self._editors[number].forget()
            self._context.note = "The patch has changed under the hand; its table is left as it is."
            return
        patch, kind, _ = taken_from
        short = short_rows(kind, table)
        self._given[number] = patch, kind, short
        self._context.ask("edit", path=["modulator", number - 1, _TABLES[kind]], value=short)

    # Values and links

    def _add_values(self, rows: Rows, modulator: dict[str, Any], number: int) -> None:
        kind = str(modulator.get("kind") or "lfo")
        now = figure(self._context.live.modulator(number))
        remove = lambda: self._context.ask("remove", path=["modulator", number - 1])  # noqa: E731 - one line of a row
        rows.title(
            "values",
            f"{self._context.stage.modulator_name(number)}: {kind}, now {now}",
            ("remove modulator", "- modulator", remove),
        )
        names = self._context.stage.names_below(f"mod.{number}")
        order = KIND_ROWS.get(kind, ())
        names = sorted(names, key=lambda name: order.index(name) if name in order else len(order))
        add_values(rows, self._context, f"mod.{number}", names)

    def _add_links(self, rows: Rows, number: int) -> None:
        name = self._context.stage.modulator_name(number)
        full = len(self._context.stage.tables("link")) >= LINKS
        rows.title(
            "links",
            f"What {name} moves",
            *([] if full else [("add link", "+ link", lambda: link_by_picking(self._context, number))]),
        )
        links = self._context.stage.links_of(number)
        if not links:
            rows.line("no links", "Nothing yet: press + link, then the value that it shall move.")
        for k, link in links:
            target, way, away = rows.boxes(GRID, spans=(2, 1, 1))
            address = str(link.get("parameter"))
            rows.add(Cell(f"link {k}", target, "text", self._context.stage.address_words(address)))
            rows.add(self._operation_cell(way, k, str(link.get("operation") or "add")))
            rows.add(
                Cell(
                    f"remove link {k}",
                    away,
                    "button",
                    "remove",
                    act=lambda k=k: self._context.ask("remove", path=["link", k - 1]),  # type: ignore[misc]
                    about="Take this link away.",
                )
            )
            add_values(rows, self._context, f"link.{k}", self._context.stage.names_below(f"link.{k}"))

    def _operation_cell(self, box: Box, number: int, operation: str) -> Cell:
        other = "multiply" if operation == "add" else "add"

        def change() -> None:
            self._context.ask("edit", path=["link", number - 1, "operation"], value=other)

        sign = "adds" if operation == "add" else "multiplies"
        about = f"The link {'adds' if operation == 'add' else 'multiplies'}; press it to {other}."
        return Cell(f"operation {number}", box, "button", sign, act=change, about=about)

    def _choose_new(self) -> None:
        count = len(self._context.stage.tables("modulator"))

        def add(kind: str) -> None:
            names = {row.get("name") for row in self._context.stage.tables("modulator")}
            name = next(f"{kind} {k}" for k in range(1, MODULATORS + 2) if f"{kind} {k}" not in names)
            self._context.ask("add", path=["modulator"], value={"name": name, **NEW_MODULATORS[kind]})
            self._context.modulator = count + 1

        choices = [Choice(kind, lambda kind=kind: add(kind)) for kind in NEW_MODULATORS]  # type: ignore[misc]
        self._context.choose("A new modulator", choices)


def link_by_picking(context: Context, number: int) -> None:
    """Have the next value that is pressed linked to a modulator."""
    name = context.stage.modulator_name(number)

    def take(address: str) -> None:
        link_to(context, number, address)

    context.pick(f"Press the value that {name} shall move.", take, "Layers")


def link_by_choosing(context: Context, address: str) -> bool:
    """Have the modulator chosen that shall move a parameter; False if the patch has none."""
    modulators = context.stage.tables("modulator")
    choices = [
        Choice(
            context.stage.modulator_name(number),
            lambda number=number: link_to(context, number, address),  # type: ignore[misc]
        )
        for number in range(1, len(modulators) + 1)
    ]
    if choices:
        context.choose(f"What shall move {context.stage.address_words(address)}", choices)
    return bool(choices)


def link_to(context: Context, number: int, address: str) -> None:
    """Link a modulator, counted from 1, to a parameter, gently at first."""
    if address not in INDEX:
        return
    named = context.stage.tables("modulator")[number - 1].get("name")
    value = {"modulator": named or number, "parameter": address, "depth": 0.1}
    context.ask("add", path=["link"], value=value)
    context.modulator, context.page = number, "Motion"
