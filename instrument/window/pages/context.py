"""Context of a page: live values, the state of the stage, and ways to ask for something."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from instrument.patch.number import NumberError, number_for
from instrument.window.widgets.cells import TextEntry
from instrument.window.widgets.value_editing import figure

if TYPE_CHECKING:
    from collections.abc import Callable

    import pygame

    from instrument.window.keys import Keyboard
    from instrument.window.live_values import LiveValues
    from instrument.window.stage_messages import StageState
    from instrument.window.theme import Sizes
    from instrument.window.widgets.cells import Cell


@dataclass(frozen=True)
class Choice:
    """One of several things to choose from."""

    text: str
    take: Callable[[], None]
    about: str = ""


@dataclass
class Context:
    """Everything that a page reads and asks.

    Attributes
    ----------
    stage : StageState
    live : LiveValues
    keyboard : Keyboard
    requests : list of dict
        What the stage is to be asked for next.
    wanted : dict
        Values that were set and have not been sent, by address.
    picking : tuple or None
        Words and a function that takes the address of the next value that is pressed.
    choosing : tuple or None
        Title and choices.
    page : str
        Name of the page that is shown.
    layer, modulator : int
        The ones that the pages show, from 1.
    note : str
        A sentence for the line at the bottom of the page.
    actions : list of str
        What buttons want done, by the names of `keys.ACTIONS`.
    """

    stage: StageState
    live: LiveValues
    keyboard: Keyboard
    requests: list[dict[str, Any]] = field(default_factory=list)
    wanted: dict[str, float] = field(default_factory=dict)
    picking: tuple[str, Callable[[str], None]] | None = None
    choosing: tuple[str, list[Choice]] | None = None
    page: str = "Layers"
    layer: int = 1
    modulator: int = 1
    note: str = ""
    actions: list[str] = field(default_factory=list)

    def ask(self, do: str, **words: Any) -> None:
        """Ask the stage for something."""
        self.requests.append({"do": do, **words})

    def do(self, action: str) -> None:
        """Have an action of the table of keys done."""
        self.actions.append(action)

    def set(self, address: str, value: float) -> None:
        """Set a parameter; of several values within one frame the last one counts."""
        self.wanted[address] = value

    def choose(self, title: str, choices: list[Choice]) -> None:
        """Show things to choose from in place of the page."""
        self.choosing = title, choices

    def pick(self, words: str, take: Callable[[str], None], page: str = "") -> None:
        """Have the next value that is pressed taken instead of changed."""
        self.picking = words, take
        self.page = page or self.page

    def take_requests(self) -> list[dict[str, Any]]:
        """Return what is to be asked for, and forget it."""
        sets = [{"do": "set", "address": address, "value": _in_json(value)} for address, value in self.wanted.items()]
        found, self.requests = [*sets, *self.requests], []
        self.wanted.clear()
        return found

    def number_line(self, address: str) -> TextEntry:
        """Return the line in which a parameter's value is typed."""
        return TextEntry(_plain(self.live.base(address)), lambda text: self._give(address, text))

    def _give(self, address: str, text: str) -> str:
        try:
            value = number_for(address, text.strip())
        except NumberError as error:
            return f"{text.strip() or 'Nothing'} is not taken: {error}."
        # A step of its own to undo, however soon a nudge comes before or after.
        self.ask("set", address=address, value=_in_json(value), alone=True)
        return ""


class Page(Protocol):
    """One page of the desk."""

    name: str

    def cells(self, room: pygame.Rect, sizes: Sizes) -> tuple[list[Cell], list[Cell]]:
        """Return the cells that keep their place, and those that scroll, from the top of `room` on."""
        ...


def _in_json(value: float) -> float | str:
    return value if abs(value) < float("inf") else str(value)


def _plain(value: float) -> str:
    # Exactly what it is, as short as that goes.
    whole = repr(value)
    return whole.removesuffix(".0") if len(whole) < 18 else figure(value)
