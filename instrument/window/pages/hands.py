"""The page Hands: what every knob, key and wheel does, what has just been moved, and how to learn another one."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from instrument.engine.memory.layout import ACTIONS
from instrument.engine.parameters import INDEX
from instrument.window.pages.context import Choice, Context
from instrument.window.pages.parameter_cells import value_cell
from instrument.window.stage_messages import message_words
from instrument.window.widgets.cells import Cell, Rows

if TYPE_CHECKING:
    import pygame

    from instrument.window.readings import PortActivity
    from instrument.window.theme import Sizes

HEARD = "●"
"""Beside what has just been moved."""

EVERY_PATCH = "every patch"
"""Beside a control of the controller file."""


class HandsPage:
    """The controls of the patch, and those of the controller file, which serve every patch.

    Parameters
    ----------
    context : Context
    activity : PortActivity
        What comes in at each port.
    """

    name = "Hands"

    def __init__(self, context: Context, activity: PortActivity) -> None:
        self._context = context
        self._activity = activity

    def cells(self, room: pygame.Rect, sizes: Sizes) -> tuple[list[Cell], list[Cell]]:
        """Return ports and what nobody listens to, and the list of controls."""
        rows = Rows(room, sizes)
        rows.title("ports", "Controllers")
        self._add_ports(rows)
        self._add_unused(rows)
        controls = self._context.stage.controls
        rows.title(
            "controls",
            "Controls",
            ("learn value", "learn a value", lambda: learn_by_picking(self._context)),
            ("learn action", "learn an action", self._choose_action),
        )
        fixed = len(rows.cells)
        if not controls:
            rows.line("no controls", "None yet: press one of the buttons above, then move a knob.")
        for k, control in enumerate(controls, 1):
            self._add_control(rows, k, control)
        return rows.cells[:fixed], rows.cells[fixed:]

    def _add_ports(self, rows: Rows) -> None:
        ports = [str(name) for name in self._context.stage.rows("midi")]
        if not ports:
            rows.line("no port", "No controller is plugged in; the computer keyboard plays.")
        for k, name in enumerate(ports):
            message, fresh = self._activity.latest(self._context.stage.ports_of(name))
            (box,) = rows.boxes([1])
            sign = HEARD if fresh else "○"
            rows.add(
                Cell(
                    f"port {k}",
                    box,
                    "value",
                    f"{sign} {name}",
                    message or "nothing heard yet",
                    tone="light" if fresh else "plain",
                )
            )

    def _add_unused(self, rows: Rows) -> None:
        heard = [_heard_words(row) for row in self._context.stage.rows("heard")]
        words = ", ".join(dict.fromkeys(reversed(heard)))
        text = f"Heard, and used by nothing: {words}" if heard else "Nothing was heard that has no use"
        (box,) = rows.boxes([1])
        tone: Any = "trouble" if heard else "quiet"
        rows.add(Cell("unused", box, "text", text, tone=tone))

    def _add_control(self, rows: Rows, number: int, control: dict[str, Any]) -> None:
        at, fresh = self._context.live.control(number)
        address = str(control.get("parameter") or "")
        label = str(control.get("label") or "")
        message, target, value, away = rows.boxes([2.3, 4.2, 3.2, 0.7])
        sign = HEARD if fresh else " "
        rows.add(
            Cell(
                f"message {number}",
                message,
                "value",
                f"{sign} {message_words(control)}",
                tone="light" if fresh else "plain",
                fill=round(1000 * at) if at >= 0 else 0,
            )
        )
        what = self._context.stage.address_words(address) if address else _action_words(control)
        words = f"{label}: {what}" if label else what
        for_all = bool(control.get("all"))
        rows.add(Cell(f"target {number}", target, "text", words, mark=EVERY_PATCH if for_all else ""))
        if address in INDEX:
            # What moves it stands at the beginning of the row.
            cell = value_cell(self._context, value, address, "", f"control {number} ")
            rows.add(replace(cell, mark="") if cell.mark == message_words(control).split(" ch ")[0] else cell)
        else:
            rows.add(Cell(f"does {number}", value, "text", "does this", tone="quiet"))

        def remove() -> None:
            if for_all:
                self._context.ask("unlearn", control=number - 1)
            else:
                self._context.ask("remove", path=["control", number - 1])

        about = "Take this control out of the controller file." if for_all else "Take this control away."
        rows.add(Cell(f"forget {number}", away, "button", "✕", act=remove, about=about))

    def _choose_action(self) -> None:
        def learn(action: str) -> None:
            self._context.ask("learn", action=action)

        choices = [Choice(name, lambda name=name: learn(name)) for name in ACTIONS[1:]]  # type: ignore[misc]
        self._context.choose("A knob or key shall", choices)


def learn_by_picking(context: Context) -> None:
    """Have the next value that is pressed learn a control."""

    def take(address: str) -> None:
        context.ask("learn", address=address)
        context.page = "Hands"

    context.pick("Press the value that a knob shall move.", take, "Layers")


def _action_words(control: dict[str, Any]) -> str:
    words = str(control.get("action") or "nothing")
    return f"{words} {control['choose']}" if "choose" in control else words


def _heard_words(row: object) -> str:
    if isinstance(row, dict):
        if isinstance(row.get("words"), str):
            return str(row["words"])
        words = message_words(row)
        return f"{words} = {row['value']}" if "value" in row else words
    return str(row)
