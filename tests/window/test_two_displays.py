"""Two displays: the desk on the first, the picture alone on the second, as an X server with two outputs has them.

Xvfb has one output only; Xorg's dummy driver has sixteen, of which RandR switches a second one on.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from tests.window.display import Display, opened_window, running_window, wait_for, x_server
from tests.window.memory import shared_memory
from tests.window.window_managers import STACKS, TILES, WindowManager
from tests.window.x_client import XClient

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = [pytest.mark.device, pytest.mark.xdist_group("screen")]

FIRST, SECOND = (1280, 800), (1024, 768)

CONFIGURATION = """
Section "Device"
  Identifier "none"
  Driver "dummy"
  VideoRam 65536
EndSection
Section "Monitor"
  Identifier "first"
  HorizSync 5.0-1000.0
  VertRefresh 5.0-200.0
  Modeline "first" 83.46 1280 1344 1480 1680 800 801 804 828
EndSection
Section "Screen"
  Identifier "both"
  Device "none"
  Monitor "first"
  DefaultDepth 24
  SubSection "Display"
    Depth 24
    Modes "first"
    Virtual 2304 800
  EndSubSection
EndSection
"""

MODE = ("second", "64.11", "1024", "1080", "1184", "1344", "768", "769", "772", "795")
"""A mode line: its name, the dot clock in MHz, and where pixels, sync and blanking begin and end."""


@contextmanager
def two_displays(folder: Path) -> Iterator[Display]:
    """Run an X server with two outputs side by side; where it is missing that is a failure if nothing may be left out."""
    able = shutil.which("xrandr") is not None and os.geteuid() == 0
    (folder / "xorg.conf").write_text(CONFIGURATION)
    files = ["-config", str(folder / "xorg.conf"), "-logfile", str(folder / "xorg.log")]
    command = ["Xorg", *files, "-novtswitch", "-sharevts"]
    with x_server(folder, command, without="" if able else "two displays need xrandr and root's rights") as display:
        (folder / "config" / "beamhand" / "window.toml").write_text('view = "desk"\n')
        for words in (
            ["--newmode", *MODE],
            ["--addmode", "DUMMY1", "second"],
            ["--output", "DUMMY1", "--mode", "second", "--right-of", "DUMMY0"],
            ["--query"],  # after which the server tells others too that the second one is connected
        ):
            subprocess.run(["xrandr", *words], env=display.environment, check=True, capture_output=True)
        yield display


def areas_for(display: Display) -> set[tuple[str, str]]:
    """Return where the windows are seen, and how large they are."""
    found = set()
    for number in display.do("search", "--onlyvisible", "--class", "Beamhand").split():
        told = display.do("getwindowgeometry", "--shell", number).split()
        values = dict(line.split("=") for line in told if "=" in line)
        found.add((f"{values.get('X')},{values.get('Y')}", f"{values.get('WIDTH')}x{values.get('HEIGHT')}"))
    return found


def test_the_picture_fills_the_second_display_and_a_key_takes_it_away_and_back(tmp_path: Path) -> None:
    picture = ("1280,0", "1024x768")
    with (
        two_displays(tmp_path) as display,
        shared_memory() as memory,
        running_window(display, memory.name) as window,
    ):
        wait_for(lambda: picture in areas_for(display), "the picture on the second display", 30)
        wait_for(lambda: len(areas_for(display)) == 2, "the desk on the first", 10)
        (desk,) = areas_for(display) - {picture}
        assert desk[0] == "0,0"

        def taken_away() -> bool:
            window.focus()
            window.key("shift+F11")
            return picture not in areas_for(display)

        wait_for(taken_away, "the second display dark", 20)

        def put_back() -> bool:
            # Its process takes some seconds to be seen; a key may come before the desk has the keyboard again.
            window.focus()
            window.key("shift+F11")
            until = time.monotonic() + 10
            while picture not in areas_for(display) and time.monotonic() < until:
                time.sleep(0.1)
            return picture in areas_for(display)

        wait_for(put_back, "the picture back again", 60)


@pytest.mark.parametrize("manager", [STACKS, TILES], ids=["stacking", "tiling"])
def test_with_a_window_manager_the_picture_is_where_the_desk_is_not(tmp_path: Path, manager: WindowManager) -> None:
    """Two displays of different sizes: each is filled by what belongs there, and not by the desk of the other."""
    first, second = (0, 0, *FIRST), (FIRST[0], 0, *SECOND)
    with (
        two_displays(tmp_path) as display,
        manager.running(display, tmp_path),
        shared_memory() as memory,
        XClient(display.environment["DISPLAY"]) as client,
        opened_window(display, memory.name),
    ):

        def lie() -> dict[int, tuple[int, ...]]:
            numbers = display.do("search", "--onlyvisible", "--class", "Beamhand").split()
            return {int(number): client.place(int(number)) for number in numbers}

        wait_for(lambda: len(lie()) == 2 and second in lie().values(), "the picture on the second display", 60)
        (desk,) = (number for number, place in lie().items() if place != second)
        there = wait_for(lambda: client.place(desk), "the desk")
        assert there[0] + there[2] <= FIRST[0]

        def filled(place: tuple[int, ...]) -> bool:
            display.do("windowactivate", "--sync", str(desk), "key", "F11")
            time.sleep(0.5)
            return client.place(desk) == place

        wait_for(lambda: filled(first), "the desk on the whole first display", 30)
        assert second in lie().values()
        wait_for(lambda: client.place(desk) == there or not filled(there), "the desk as it was", 30)
        if manager.tiles:
            return
        display.do("windowmove", str(desk), str(FIRST[0] + 20), "40")
        wait_for(lambda: client.place(desk)[0] >= FIRST[0], "the desk on the second display", 20)
        display.do("windowactivate", "--sync", str(desk), "key", "shift+F11")
        wait_for(lambda: len(lie()) == 1, "no picture", 30)
        display.do("windowactivate", "--sync", str(desk), "key", "shift+F11")
        wait_for(lambda: first in lie().values(), "the picture on the first display", 60)
