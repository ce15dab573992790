"""The page Layers: every layer with what it draws, and of the chosen one every value, in the order of the signal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from instrument.engine.forms.table import FORM_TABLE
from instrument.engine.parameters import LAYERS
from instrument.window.pages.context import Choice, Context
from instrument.window.pages.page_rows import Rows, value_cell
from instrument.window.stage_messages import forms_of, source_words
from instrument.window.widgets.cells import Cell, TextEntry
from instrument.window.widgets.typing_line import check_formula

if TYPE_CHECKING:
    import pygame

    from instrument.window.theme import Sizes

AXES = ("x", "y", "z")

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
"""What a layer may be made to draw; drawings from files are dropped onto the window."""


class LayersPage:
    """The layers of the patch."""

    name = "Layers"

    def __init__(self, context: Context) -> None:
        self._context = context

    def cells(self, room: pygame.Rect, sizes: Sizes) -> tuple[list[Cell], list[Cell]]:
        """Return the list of layers, and the values of the chosen one."""
        rows = Rows(room, sizes)
        layers = self._context.stage.tables("layer")
        chosen = min(max(self._context.layer, 1), max(len(layers), 1))
        self._add_list(rows, layers, chosen)
        fixed = len(rows.cells)
        if layers:
            self._add_source(rows, layers[chosen - 1], chosen)
            self._add_values(rows, layers[chosen - 1], chosen)
        return rows.cells[:fixed], rows.cells[fixed:]

    def _add_list(self, rows: Rows, layers: list[dict[str, Any]], chosen: int) -> None:
        add = ("add layer", "+ layer", self._choose_new) if len(layers) < LAYERS else None
        rows.title("layers", "Layers", *([add] if add else []))
        for k, layer in enumerate(layers, 1):
            left, right = rows.boxes([2, 1])
            name = str(layer.get("name") or f"layer {k}")
            rows.add(
                Cell(
                    f"layer {k}",
                    left,
                    "button",
                    f"{k}  {name}",
                    value=source_words(layer),
                    on=k == chosen,
                    act=lambda k=k: self._show(k),  # type: ignore[misc]
                    about=f"Layer {k} draws {source_words(layer)}. Its values are below.",
                )
            )
            rows.add(value_cell(self._context, right, f"layer.{k}.level", "level", "list "))

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

    def _add_source(self, rows: Rows, layer: dict[str, Any], number: int) -> None:
        def change() -> None:
            def take(source: dict[str, Any]) -> None:
                self._context.ask("edit", path=["layer", number - 1, "source"], value=source)

            self._choose(f"Layer {number} draws", take)

        def remove() -> None:
            self._context.ask("remove", path=["layer", number - 1])

        rows.title(
            "source",
            f"Source: {source_words(layer)}",
            ("change source", "change", change),
            ("remove layer", "- layer", remove),
        )
        source = layer.get("source")
        source = source if isinstance(source, dict) else {}
        kind = source.get("kind")
        stem = f"layer.{number}.source"
        if kind == "harmonic":
            self._add_terms(rows, number)
        elif kind == "path":
            if isinstance(source.get("text"), str):
                self._add_text(rows, number, "text", source["text"])
            self._add_row(rows, "", [(f"{stem}.frame", "frame"), (f"{stem}.blend", "blend")])
        elif kind == "formula":
            for axis in AXES:
                self._add_formula(rows, number, axis, str(source.get(axis) or ""))
            for knobs in ("abcd", "efgh"):
                self._add_row(rows, "", [(f"{stem}.{knob}", knob) for knob in knobs])
        elif kind == "input":
            self._add_row(rows, "", [(f"{stem}.gain", "gain"), (f"{stem}.gate", "gate")])

    def _add_terms(self, rows: Rows, number: int) -> None:
        for axis, count in zip(AXES, self._context.live.terms(number), strict=True):
            for k in range(1, count + 1):
                stem = f"layer.{number}.source.{axis}.{k}"
                names = ("amplitude", "ratio", "phase")
                self._add_row(rows, f"{axis} {k}", [(f"{stem}.{name}", name) for name in names])

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

    def _add_values(self, rows: Rows, layer: dict[str, Any], number: int) -> None:
        stem = f"layer.{number}"
        rows.title("pen", "Pen")
        for names in (("frequency", "key", "bend"), ("start", "length", "direction")):
            self._add_row(rows, "", [(f"{stem}.pen.{name}", name) for name in names])
        kinds = forms_of(layer)
        rows.title("form", "Form", ("add form", "+ form", lambda: self._choose_form(number, kinds)))
        for k, kind in enumerate(kinds):
            self._add_form(rows, number, k, kind)
        rows.title("place", "Place")
        self._add_row(rows, "", [(f"{stem}.place.size", "size"), (f"{stem}.place.camera", "camera")])
        for name in ("scale", "turn", "spin", "move"):
            self._add_row(rows, name, [(f"{stem}.place.{name}.{axis}", axis) for axis in AXES])
        rows.title("level", "Level")
        self._add_row(rows, "", [(f"{stem}.level", "level"), ("output.level", "all layers")])

    def _add_form(self, rows: Rows, number: int, place: int, kind: str) -> None:
        if kind not in FORM_TABLE:
            return

        def remove() -> None:
            self._context.ask("remove", path=["layer", number - 1, "form", place])

        name, away = rows.boxes([6, 1])
        rows.add(Cell(f"form {kind}", name, "text", kind, tone="plain"))
        rows.add(Cell(f"remove form {kind}", away, "button", "remove", act=remove))
        fields = [(f"layer.{number}.form.{kind}.{row[0]}", str(row[0])) for row in FORM_TABLE[kind]]
        for k in range(0, len(fields), 3):
            self._add_row(rows, "", fields[k : k + 3])

    def _choose_form(self, number: int, kinds: list[str]) -> None:
        def add(kind: str) -> None:
            self._context.ask("add", path=["layer", number - 1, "form"], value={"kind": kind})

        free = [kind for kind in FORM_TABLE if kind not in kinds]
        choices = [Choice(kind, lambda kind=kind: add(kind)) for kind in free]  # type: ignore[misc]
        self._context.choose(f"Layer {number} passes through", choices)

    def _add_row(self, rows: Rows, name: str, fields: list[tuple[str, str]]) -> None:
        # Three to a row, so that values of neighbouring rows stand below each other.
        width = max(3, len(fields))
        boxes = rows.boxes([1] * width if not name else [0.55, *[(width - 0.55) / width] * width])
        if name:
            first, *boxes = boxes
            rows.add(Cell(f"name {name} {fields[0][0]}", first, "text", name, tone="quiet"))
        for box, (address, words) in zip(boxes, fields, strict=False):
            rows.add(value_cell(self._context, box, address, words))
