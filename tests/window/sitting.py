"""A desk over a memory in which nothing plays, for tests of what hands do with it and of where its cells lie."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pygame
import tomlkit

from instrument.engine.memory.allocation import allocate
from instrument.engine.parameters import ROWS
from instrument.patch.description import parameters_of
from instrument.patch.patch_file import patch_from_text
from instrument.window.desk import Desk
from instrument.window.keys import Keyboard
from instrument.window.live_values import LiveValues
from instrument.window.pages.context import Context
from instrument.window.readings import PortActivity
from instrument.window.stage_messages import StageState
from instrument.window.strip import Readings, strip_height
from instrument.window.theme import areas_for, sizes_for
from instrument.window.widgets.font import Font
from tests.window.memory import RATE

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from instrument.window.widgets.cells import Cell

NONE: frozenset[str] = frozenset()

DOCUMENT: dict[str, Any] = {
    "layer": [
        {"name": "beams", "source": {"kind": "path", "preset": "star"}, "form": [{"kind": "twist"}]},
        {"name": "swell", "source": {"kind": "formula", "x": "sin(tau*p)", "y": "0"}},
    ],
    "modulator": [
        {"name": "tide", "kind": "curve", "points": [[0, 0], [0.5, 1], [1, 0]]},
        {"name": "wind", "kind": "lfo"},
    ],
    "link": [{"modulator": "tide", "parameter": "layer.1.place.spin.y", "depth": 0.5}],
    "control": [{"message": "cc", "number": 1, "parameter": "layer.1.level", "label": "glow"}],
}


def told(document: dict[str, Any]) -> dict[str, Any]:
    """Return what the stage says of a patch file's tables: the tables, and every parameter that the patch has."""
    patch = patch_from_text(tomlkit.dumps({"schema": 1, **document}))
    return {"document": document, "parameters": parameters_of(patch, [row.default for row in ROWS])}


STATE: dict[str, Any] = {
    "title": "Lighthouse",
    **told(DOCUMENT),
    "snapshots": ["calm"],
    "midi": ["harbour keys"],
    "setlist": [{"title": name, "path": f"/p/{name}.toml", "index": k} for k, name in enumerate("abc")],
    "current": 0,
}
"""State of a show with that patch."""


def resting_memory() -> npt.NDArray[np.void]:
    """Return a memory in which nothing plays, with every parameter as usual."""
    record: npt.NDArray[np.void] = allocate(RATE, ring_seconds=0.01).record
    for k, row in enumerate(ROWS):
        record["instances"]["value"][:, k] = record["instances"]["target"][:, k] = row.default
    return record


class Sitting:
    """A desk over a memory in which nothing plays, or over that of a show, and what it has asked for."""

    def __init__(
        self,
        size: tuple[int, int] = (1280, 800),
        state: dict[str, Any] = STATE,
        record: npt.NDArray[np.void] | None = None,
    ) -> None:
        self.record = resting_memory() if record is None else record
        self.stage = StageState()
        self.stage.update(state)
        self.context = Context(self.stage, LiveValues(self.record, RATE), Keyboard())
        self.activity = PortActivity(self.record)
        self.desk = Desk(self.context, self.activity)
        self.sizes = sizes_for(*size)
        self.areas = areas_for(*size, strip_height(size[0], self.sizes))
        self.font = Font(self.sizes.em)
        self.size = size
        self.readings = Readings()
        self.look()

    def look(self) -> list[Cell]:
        pages, strip = self.desk.cells(self.areas, self.sizes, self.font, self.readings)
        self.cells = [*pages, *strip]
        return self.cells

    def cell(self, key: str) -> Cell:
        return next(cell for cell in self.look() if cell.key == key)

    def middle(self, key: str) -> tuple[int, int]:
        left, top, width, height = self.cell(key).box
        return left + width // 2, top + height // 2

    def click(self, key: str, button: int = pygame.BUTTON_LEFT, clicks: int = 1) -> None:
        x, y = self.middle(key)
        self.desk.press(x, y, button, clicks)
        self.desk.release(x, y)
        self.look()

    def type(self, text: str) -> None:
        self.desk.write(text)
        self.desk.key(pygame.K_RETURN, NONE)

    def asked(self) -> list[dict[str, Any]]:
        return self.context.take_requests()
