"""The page Layers: every layer with what it draws, the whole patch, and every value of the chosen one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from instrument.engine.forms.form_table import FORM_TABLE
from instrument.engine.parameters import INDEX, LAYERS
from instrument.window.pages.context import Choice, Context
from instrument.window.pages.parameter_cells import ALWAYS, GRID, add_values, groups_of, value_cell
from instrument.window.stage_messages import forms_of, source_words
from instrument.window.widgets.cells import Button, Cell, Rows, TextEntry
from instrument.window.widgets.typing_line import check_formula
from instrument.window.widgets.value_editing import words_for

if TYPE_CHECKING:
    import pygame

    from instrument.window.theme import Sizes

AXES = ("x", "y", "z")

OPEN, CLOSED = "\N{BLACK DOWN-POINTING SMALL TRIANGLE}", "\N{BLACK RIGHT-POINTING SMALL TRIANGLE}"
"""Before the title of a group that is open, or folded away."""

MODE_ON = 0.5
"""From here on a mode is another one than the first, which is off."""

_SOURCES: tuple[tuple[str, dict[str, Any]], ...] = (
    ("circle", {"kind": "harmonic", "preset": "circle"}),
    ("lissajous", {"kind": "harmonic", "preset": "lissajous"}),
    ("rose", {"kind": "harmonic", "preset": "rose"}),
    ("soft polygon", {"kind": "harmonic", "preset": "soft_polygon"}),
    ("torus knot", {"kind": "harmonic", "preset": "torus_knot"}),
    ("polygon", {"kind": "path", "preset": "polygon"}),
    ("star", {"kind": "path", "preset": "star"}),
    ("rectangle", {"kind": "path", "preset": "rectangle"}),
    ("cube", {"kind": "path", "preset": "cube"}),
    ("text", {"kind": "path", "text": "ahoy"}),
    ("formula", {"kind": "formula", "x": "sin(tau*p)", "y": "cos(tau*p)"}),
    ("live input", {"kind": "input"}),
)
"""Sources that a layer is given by a button; drawings from files are dropped onto the window."""


class LayersPage:
    """The layers of the patch, with the whole patch below them.

    The values of what is chosen stand below the list, group by group; each group can be folded away.
    """

    name = "Layers"

    def __init__(self, context: Context) -> None:
        self._context = context
        self._folded: dict[str, bool] = {}

    def cells(self, room: pygame.Rect, sizes: Sizes) -> tuple[list[Cell], list[Cell]]:
        """Return the list of layers, and the values of the chosen one or of the whole patch."""
        rows = Rows(room, sizes)
        layers = self._context.stage.tables("layer")
        chosen = min(max(self._context.layer, 0), len(layers))
        self._add_list(rows, layers, chosen)
        fixed = len(rows.cells)
        if chosen:
            self._add_layer(rows, layers[chosen - 1], chosen)
        else:
            for group, names in groups_of(self._context.stage.names_below("")).items():
                if self._add_title(rows, group):
                    add_values(rows, self._context, "", names, group)
        return rows.cells[:fixed], rows.cells[fixed:]

    def _add_list(self, rows: Rows, layers: list[dict[str, Any]], chosen: int) -> None:
        add = ("add layer", "+ layer", self._choose_new) if len(layers) < LAYERS else None
        rows.title("layers", "Layers", *([add] if add else []))
        for k, layer in enumerate(layers, 1):
            name, drawn = str(layer.get("name") or f"layer {k}"), source_words(layer)
            about = f"Layer {k} draws {drawn}. Its values are below."
            self._add_listed(rows, k, f"{k}  {name}", drawn, k == chosen, f"layer.{k}.level", about)
        mode = words_for("mix.mode", self._context.live.value("mix.mode"))
        about = "What all layers share: mix, output, tuning, tempo and morph. Their values are below."
        self._add_listed(rows, 0, "Patch", f"mix {mode}", chosen == 0, "output.level", about)

    def _add_listed(self, rows: Rows, k: int, text: str, value: str, on: bool, level: str, about: str) -> None:
        left, right = rows.boxes(GRID, spans=(3, 1))
        act = lambda: self._show(k)  # noqa: E731 - bound to this layer
        rows.add(Cell(f"layer {k}", left, "button", text, value=value, on=on, act=act, about=about))
        rows.add(value_cell(self._context, right, level, "level", "" if k else "list "))

    def _show(self, number: int) -> None:
        self._context.layer = number

    def _choose_new(self) -> None:
        count = len(self._context.stage.tables("layer"))

        def take(source: dict[str, Any]) -> None:
            self._context.ask("add", path=["layer"], value={"source": source})
            self._context.layer = count + 1

        self._choose("A new layer draws", take)

    def _choose(self, title: str, take: Any) -> None:
        self._context.choose(
            title,
            [Choice(name, lambda source=source: take(source)) for name, source in _SOURCES],  # type: ignore[misc]
        )

    # The chosen layer, in the order of the signal

    def _add_layer(self, rows: Rows, layer: dict[str, Any], number: int) -> None:
        owner = f"layer.{number}"
        for group, names in groups_of(self._context.stage.names_below(owner), ALWAYS).items():
            if group == "source":
                self._add_source(rows, layer, number, names)
            elif group == "form":
                self._add_forms(rows, layer, number, names)
            # Its level stands in the list above.
            elif group != "level" and self._add_title(rows, group, mode=f"{owner}.{group}.mode"):
                add_values(rows, self._context, owner, names, group)

    def _add_title(self, rows: Rows, group: str, *buttons: Button, words: str = "", mode: str = "") -> bool:
        # A group whose mode is off is folded, until a hand opens it.
        has_mode = mode in INDEX
        value = self._context.live.value(mode) if has_mode else 0.0
        folded = self._folded.get(group, has_mode and value < MODE_ON)

        def fold() -> None:
            self._folded[group] = not folded

        if has_mode:
            words = words_for(mode, value)
        sign = CLOSED if folded else OPEN
        rows.title(group, f"{sign} {group.capitalize()}{f': {words}' if words else ''}", *buttons, fold=fold)
        return not folded

    def _add_source(self, rows: Rows, layer: dict[str, Any], number: int, names: list[str]) -> None:
        def change() -> None:
            def take(source: dict[str, Any]) -> None:
                self._context.ask("edit", path=["layer", number - 1, "source"], value=source)

            self._choose(f"Layer {number} draws", take)

        def remove() -> None:
            self._context.ask("remove", path=["layer", number - 1])

        buttons = ("change source", "change", change), ("remove layer", "- layer", remove)
        if not self._add_title(rows, "source", *buttons, words=source_words(layer)):
            return
        source = layer.get("source")
        source = source if isinstance(source, dict) else {}
        if source.get("kind") == "path" and isinstance(source.get("text"), str):
            self._add_text(rows, number, "text", source["text"])
        elif source.get("kind") == "formula":
            for axis in AXES:
                self._add_formula(rows, number, axis, str(source.get(axis) or ""))
        add_values(rows, self._context, f"layer.{number}", names, "source")

    def _add_text(self, rows: Rows, number: int, field: str, text: str) -> None:
        def give(typed: str) -> str:
            self._context.ask("edit", path=["layer", number - 1, "source", field], value=typed)
            return ""

        (box,) = rows.boxes([1])
        rows.add(Cell(f"{field} {number}", box, "field", field, text, typed=TextEntry(text, give)))

    def _add_formula(self, rows: Rows, number: int, axis: str, text: str) -> None:
        def give(typed: str) -> str:
            path = ["layer", number - 1, "source", axis]
            self._context.ask("edit", path=path, value=typed)
            return ""

        (box,) = rows.boxes([1])
        line = TextEntry(text, give, check_formula, live=True)
        about = f"What {axis} is. p is the place of the pen, t the time; every change that can be read is played."
        rows.add(Cell(f"formula {number} {axis}", box, "field", f"{axis} =", text, typed=line, about=about))

    def _add_forms(self, rows: Rows, layer: dict[str, Any], number: int, names: list[str]) -> None:
        kinds = forms_of(layer)
        add = "add form", "+ form", lambda: self._choose_form(number, kinds)
        if not self._add_title(rows, "form", add, words="" if kinds else "none"):
            return
        for k, kind in enumerate(kinds):
            below = [name for name in names if name.startswith(f"form.{kind}.")]
            if below:
                self._add_form_heading(rows, number, k, kind)
                add_values(rows, self._context, f"layer.{number}", below, f"form.{kind}")

    def _add_form_heading(self, rows: Rows, number: int, index: int, kind: str) -> None:
        def remove() -> None:
            self._context.ask("remove", path=["layer", number - 1, "form", index])

        name, away = rows.boxes(GRID, spans=(3, 1))
        rows.add(Cell(f"form {kind}", name, "text", kind, tone="plain"))
        rows.add(Cell(f"remove form {kind}", away, "button", "remove", act=remove))

    def _choose_form(self, number: int, kinds: list[str]) -> None:
        def add(kind: str) -> None:
            self._context.ask("add", path=["layer", number - 1, "form"], value={"kind": kind})

        free = [kind for kind in FORM_TABLE if kind not in kinds]
        choices = [Choice(kind, lambda kind=kind: add(kind)) for kind in free]  # type: ignore[misc]
        self._context.choose(f"Layer {number} passes through", choices)
