"""Window managers on a display of the tests: one that stacks its windows, and one that tiles the display with them."""

from __future__ import annotations

import shutil
import subprocess
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tests.missing_parts import leave_out
from tests.window.display import wait_for
from tools.trials.stand_ins import end_process

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.window.display import Display, Running
    from tests.window.x_client import XClient

OPENBOX = """<?xml version="1.0" encoding="UTF-8"?>
<openbox_config xmlns="http://openbox.org/3.4/rc">
  <focus><focusNew>yes</focusNew></focus>
  <theme><titleLayout>LC</titleLayout></theme>
  <desktops><number>1</number></desktops>
  <mouse>
    <context name="Close"><mousebind button="Left" action="Click"><action name="Close"/></mousebind></context>
  </mouse>
</openbox_config>
"""

I3 = """# i3 config file (v4)
font pango:monospace 10
focus_follows_mouse no
bindsym button2 kill
"""

_TITLE = 16
"""Pixels of height that a title above a tile has at least."""


@dataclass(frozen=True)
class WindowManager:
    """One window manager.

    Attributes
    ----------
    name : str
        Its command.
    configuration : str
    option : str
        In front of the file of its configuration.
    tiles : bool
        Whether windows share the display, so that none has the size that it asks for.
    """

    name: str
    configuration: str
    option: str
    tiles: bool

    @contextmanager
    def running(self, display: Display, folder: Path) -> Iterator[None]:
        """Let it manage the windows of a display."""
        if shutil.which(self.name) is None:
            leave_out(
                f"{self.name} not found; install it to test the window as it {'tiles' if self.tiles else 'stacks'}"
            )
        file = folder / f"{self.name}.config"
        file.write_text(self.configuration)
        command = [self.name, self.option, str(file)]
        process = subprocess.Popen(
            command, env=display.environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            wait_for(lambda: display.do("get_num_desktops"), self.name, 60)
            yield
        finally:
            end_process(process)

    def press_close(self, window: Running, client: XClient) -> None:
        """Press what closes a window on its frame: the button of one that stacks; the title of one that tiles has none."""
        x, y, width, _ = client.place(int(window.number))
        if self.tiles:
            x, y, button = x + width // 2, y - _TITLE // 2, "2"
        else:
            top = client.numbers(int(window.number), "_NET_FRAME_EXTENTS")[2]
            x, y, button = x + width - top // 2, y - top // 2, "1"
        window.display.do("mousemove", str(x), str(y), "click", button)


STACKS = WindowManager("openbox", OPENBOX, "--config-file", tiles=False)
TILES = WindowManager("i3", I3, "-c", tiles=True)
