"""The desk on a real display server: what real keys and a real mouse do there is asked for, and is seen."""

from collections.abc import Iterator

import numpy as np
import pygame
import pytest

from instrument.engine.memory.allocation import Memory
from instrument.engine.parameters import ROWS
from instrument.window.theme import NIGHT
from tests.window.display import Display, Running, running_display, running_window, wait_for
from tests.window.memory import shared_memory
from tests.window.sitting import STATE, Sitting

pytestmark = pytest.mark.realtime

SIZE = (1280, 800)


@pytest.fixture(scope="module")
def display(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Display]:
    with running_display(tmp_path_factory.mktemp("desk")) as running:
        yield running


@pytest.fixture(scope="module")
def memory() -> Iterator[Memory]:
    with shared_memory() as shared:
        for k, row in enumerate(ROWS):
            for name in ("value", "target"):
                shared.record["instances"][name][:, k] = row.default
        yield shared


@pytest.fixture(scope="module")
def long_lived(display: Display, memory: Memory) -> Iterator[Running]:
    with running_window(display, memory.name) as running:
        running.say(**STATE)
        running.key("F12")
        yield running


@pytest.fixture(scope="module", autouse=True)
def _fonts() -> Iterator[None]:
    pygame.font.init()
    yield
    pygame.font.quit()


@pytest.fixture
def sitting() -> Sitting:
    """The same desk in this process, which tells where things lie."""
    return Sitting(SIZE)


@pytest.fixture
def desk(long_lived: Running, sitting: Sitting) -> Running:
    long_lived.resize(*SIZE)
    long_lived.focus()
    long_lived.key("Escape", "ctrl+1")
    wait_for(lambda: chosen(long_lived, sitting, "page Layers"), "the page Layers", 20)
    assert long_lived.silent()
    return long_lived


def at(window: Running, sitting: Sitting, key: str) -> np.ndarray:
    """The colour of the lower right corner of a cell, where nothing is written."""
    left, top, width, height = sitting.cell(key).box
    colour: np.ndarray = window.picture(*sitting.size)[top + height - 5, left + width - 5]
    return colour


def chosen(window: Running, sitting: Sitting, key: str) -> bool:
    return tuple(int(part) for part in at(window, sitting, key)) == NIGHT.chosen


def point(window: Running, sitting: Sitting, key: str) -> None:
    x, y = sitting.middle(key)
    window.display.do("mousemove", str(x), str(y))


def click(window: Running, sitting: Sitting, key: str, button: str = "1") -> None:
    point(window, sitting, key)
    window.display.do("click", button)


def test_arithmetic_is_typed_into_a_value(desk: Running, sitting: Sitting) -> None:
    click(desk, sitting, "layer.1.pen.frequency")
    desk.key("Return")
    desk.display.do("type", "3*440")
    desk.key("Return")
    assert desk.command() == {"do": "set", "address": "layer.1.pen.frequency", "value": 1320.0, "alone": True}


def test_a_digit_opens_the_value_and_notes_are_not_played(desk: Running, sitting: Sitting) -> None:
    click(desk, sitting, "layer.1.pen.key")
    desk.display.do("type", "1/0")
    desk.key("Return")
    assert desk.command() == {"do": "set", "address": "layer.1.pen.key", "value": "inf", "alone": True}


def test_a_drag_moves_a_value_and_ends_as_one_step(desk: Running, sitting: Sitting) -> None:
    # A press elsewhere first, so that this one is no double click with that of a test just before.
    click(desk, sitting, "layer.1.pen.bend")
    x, y = sitting.middle("layer.1.pen.key")
    desk.display.do("mousemove", str(x), str(y), "mousedown", "1")
    for k in range(1, 5):
        desk.display.do("mousemove", str(x), str(y - 20 * k))
    desk.display.do("mouseup", "1")
    asked = [desk.command()]
    while asked[-1]["do"] != "release":
        asked.append(desk.command())
    values = [request["value"] for request in asked[:-1]]
    assert values == sorted(values)
    assert values[-1] == pytest.approx(69 + 80 / 8)


def test_the_wheel_moves_a_value(desk: Running, sitting: Sitting) -> None:
    click(desk, sitting, "layer.1.pen.bend", "4")
    assert desk.command() == {"do": "set", "address": "layer.1.pen.bend", "value": 1.0}


@pytest.mark.parametrize(
    ("key", "do"),
    [("ctrl+z", "undo"), ("ctrl+y", "redo"), ("ctrl+s", "save"), ("ctrl+t", "record"), ("F10", "blackout")],
)
def test_keys_of_a_show_are_asked_for(desk: Running, key: str, do: str) -> None:
    desk.key(key)
    assert desk.command() == {"do": do}


def test_a_button_of_the_strip_is_pressed(desk: Running, sitting: Sitting) -> None:
    click(desk, sitting, "do panic")
    assert desk.command() == {"do": "panic"}


def test_a_patch_is_recalled_from_the_set_list(desk: Running, sitting: Sitting) -> None:
    desk.key("ctrl+4")
    sitting.desk.show("Patches")
    wait_for(lambda: chosen(desk, sitting, "page Patches"), "the page Patches", 20)
    click(desk, sitting, "patch 2")
    assert desk.command() == {"do": "recall", "index": 2}


def test_saving_under_another_name_is_typed(desk: Running, sitting: Sitting) -> None:
    desk.key("ctrl+shift+s")
    sitting.desk.show("Patches")
    wait_for(lambda: chosen(desk, sitting, "page Patches"), "the page Patches", 20)
    desk.display.do("type", "dusk")
    desk.key("Return")
    assert desk.command() == {"do": "save_as", "name": "dusk"}


@pytest.mark.parametrize("size", [(1024, 600), (1920, 1080), (2200, 1238)])
def test_the_desk_follows_the_size_of_the_window(desk: Running, size: tuple[int, int]) -> None:
    desk.resize(*size)
    there = Sitting(size)
    wait_for(lambda: chosen(desk, there, "page Layers"), f"the desk in a window of {size}", 20)
    click(desk, there, "do panic")
    assert desk.command() == {"do": "panic"}
