"""The window as window managers treat it: its size and place, the whole screen, its icon, its end, and the keyboard."""

from __future__ import annotations

import shutil
import subprocess
import time
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

import pygame
import pytest

from instrument.engine.memory.layout import RING_WINDOW
from instrument.window.icon import icon
from instrument.window.placement import FIRST_SIZE, LEAST_SIZE
from tests.missing_parts import leave_out
from tests.window.display import opened_window, running_display, wait_for
from tests.window.memory import shared_memory, take_messages
from tests.window.window_managers import STACKS, TILES, WindowManager
from tests.window.x_client import Place, XClient

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from instrument.engine.memory.allocation import Memory
    from tests.window.display import Display, Running

pytestmark = [pytest.mark.device, pytest.mark.xdist_group("screen")]

SCREEN = (1920, 1080)
HIGH_DENSITY = (3840, 2160)

MANAGERS = pytest.mark.parametrize("managed", [STACKS, TILES], ids=["stacking", "tiling"], indirect=True)


class Managed:
    """A window on a display with a window manager, and another program beside it."""

    def __init__(self, manager: WindowManager, window: Running, client: XClient, memory: Memory) -> None:
        self.manager, self.window, self.client, self.memory = manager, window, client, memory

    def place(self) -> Place:
        """Where the window lies, once it has stopped moving."""
        found = self.client.place(int(self.window.number))

        def rests() -> bool:
            nonlocal found
            before, found = found, self.client.place(int(self.window.number))
            time.sleep(0.2)
            return found == before

        wait_for(rests, "the window to lie still", 20)
        return found

    def has_keyboard(self) -> bool:
        """Whether the window manager has given it the keyboard."""
        return self.window.display.do("getwindowfocus") == self.window.number


@contextmanager
def on_display(
    manager: WindowManager, folder: Path, size: tuple[int, int], prepare: Callable[[Display], None] | None = None
) -> Iterator[Managed]:
    with ExitStack() as stack:
        display = stack.enter_context(running_display(folder, size))
        if prepare is not None:
            prepare(display)
        stack.enter_context(manager.running(display, folder))
        memory = stack.enter_context(shared_memory())
        window = stack.enter_context(opened_window(display, memory.name))
        client = stack.enter_context(XClient(display.environment["DISPLAY"]))
        managed = Managed(manager, window, client, memory)
        wait_for(managed.has_keyboard, "the keyboard", 60)
        yield managed


@pytest.fixture(scope="module")
def managed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Managed]:
    """One window for all tests of a window manager."""
    with on_display(request.param, tmp_path_factory.mktemp("managed"), SCREEN) as found:
        yield found


@MANAGERS
def test_the_window_has_its_usual_size_or_the_tile_it_is_given(managed: Managed) -> None:
    place = managed.place()
    if managed.manager.tiles:
        assert place.width > 0.95 * SCREEN[0]
        assert place.height > 0.9 * SCREEN[1]
    else:
        assert place[2:] == FIRST_SIZE
    assert place.x >= 0
    assert place.y > 0  # below its frame
    assert place.x + place.width <= SCREEN[0]
    assert place.y + place.height <= SCREEN[1]


@MANAGERS
def test_it_has_an_icon_of_its_own(managed: Managed) -> None:
    width, height, *pixels = managed.client.numbers(int(managed.window.number), "_NET_WM_ICON")
    own = icon()
    assert (width, height) == own.get_size()
    # Extended Window Manager Hints 1.5: rows of ARGB, alpha in the highest byte.
    wanted = pygame.image.tobytes(own, "ARGB")
    assert b"".join(pixel.to_bytes(4, "big") for pixel in pixels) == wanted


@MANAGERS
def test_the_whole_screen_and_back_twice_leaves_it_where_it_was(managed: Managed) -> None:
    before = managed.place()
    for _ in range(2):
        managed.window.key("F11")
        wait_for(lambda: managed.client.place(int(managed.window.number)) == (0, 0, *SCREEN), "the whole screen", 20)
        managed.window.key("F11")
        wait_for(lambda: managed.place()[2:] == before[2:], "the size that it had", 20)
        assert managed.place() == before
        wait_for(managed.has_keyboard, "the keyboard", 20)


@MANAGERS
def test_keys_that_are_held_are_let_go_of_when_another_window_takes_the_keyboard(managed: Managed) -> None:
    def waiting() -> int:
        ring = managed.memory.record["rings"][RING_WINDOW]
        return int(ring["tail"]) - int(ring["head"])

    take_messages(managed.memory.record)
    for key in ("a", "t"):
        managed.window.display.do("keydown", key)
    try:
        wait_for(lambda: waiting() == 2, "two notes", 20)
        take_messages(managed.memory.record)
        managed.client.show()
        wait_for(lambda: waiting() == 2, "their ends", 20)
        assert take_messages(managed.memory.record) == [(0x80, 48, 64), (0x80, 54, 64)]
    finally:
        for key in ("a", "t"):
            managed.window.display.do("keyup", key)
        managed.client.hide()
        wait_for(managed.has_keyboard, "the keyboard", 20)


def test_a_tile_that_is_shared_is_filled_and_no_more(tmp_path: Path) -> None:
    with on_display(TILES, tmp_path, SCREEN) as managed:
        whole = managed.place()
        managed.client.show()
        wait_for(lambda: managed.place().width < 0.6 * whole.width, "half of the display", 20)
        managed.client.hide()
        wait_for(lambda: managed.place() == whole, "all of it again", 20)


def test_nobody_makes_it_smaller_than_can_be_read(tmp_path: Path) -> None:
    with on_display(STACKS, tmp_path, SCREEN) as managed:
        managed.window.display.do("windowsize", managed.window.number, "60", "40")
        wait_for(lambda: managed.place()[2:] != FIRST_SIZE, "a smaller window", 20)
        assert managed.place()[2:] == LEAST_SIZE


def test_on_a_display_that_it_fills_its_frame_is_in_sight(tmp_path: Path) -> None:
    with on_display(STACKS, tmp_path, FIRST_SIZE) as managed:

        def inside() -> bool:
            x, y, width, height = managed.place()
            left, right, top, bottom = managed.client.numbers(int(managed.window.number), "_NET_FRAME_EXTENTS")
            return min(x - left, y - top, FIRST_SIZE[0] - x - width - right, FIRST_SIZE[1] - y - height - bottom) >= 0

        wait_for(inside, "the frame within the display", 30)


@MANAGERS
def test_closing_it_asks_first_and_a_second_time_ends_the_performance(managed: Managed) -> None:
    managed.manager.press_close(managed.window, managed.client)
    time.sleep(0.5)
    assert managed.window.process.poll() is None
    assert managed.window.silent()
    managed.manager.press_close(managed.window, managed.client)
    assert managed.window.command() == {"do": "quit"}


def test_on_an_enlarged_desktop_it_is_as_large_as_it_seems_elsewhere(tmp_path: Path) -> None:
    def enlarge(display: Display) -> None:
        if shutil.which("xrdb") is None:
            leave_out("xrdb not found; install it to test the window on an enlarged desktop")
        merge = ["xrdb", "-nocpp", "-merge"]
        subprocess.run(merge, input="Xft.dpi: 192\n", env=display.environment, text=True, check=True)

    with on_display(STACKS, tmp_path, HIGH_DENSITY, enlarge) as managed:
        assert managed.place()[2:] == (2 * FIRST_SIZE[0], 2 * FIRST_SIZE[1])
