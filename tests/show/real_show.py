"""A show as a performer runs it: the real command, its window on a display, a knob on a JACK port, hands by xdotool."""

from __future__ import annotations

import subprocess
import sys
import threading
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import psutil
import pygame

from instrument.engine.engine import Engine
from instrument.engine.memory.allocation import attach
from instrument.engine.parameters import ROWS
from instrument.patch.description import document_of, parameters_of
from instrument.patch.patch_file import patch_from_text
from instrument.window.theme import NIGHT
from instrument.window.widgets.painter import Painter, ThumbnailCache
from tests.show.listening import wait_until
from tests.window.sitting import Sitting

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    import numpy.typing as npt

    from tests.window.display import Display

SIZE = (1280, 800)
START = 240.0
"""Seconds that a first start may take; it compiles."""


class RealShow:
    """`beamhand play` with its window, from its start to its end.

    Parameters
    ----------
    display : Display
    folder : Path
        Home of its settings and takes.
    patches : sequence of Path

    Attributes
    ----------
    process : subprocess.Popen
        The stage.
    engine : Engine
        What plays, through the shared memory.
    desk : Sitting
        The same desk in this process, which tells where things lie and what they look like.
    """

    def __init__(self, display: Display, folder: Path, patches: Sequence[Path]) -> None:
        self.display, self.patches = display, list(patches)
        self.takes = folder / "takes"
        environment = {**display.environment, "XDG_MUSIC_DIR": str(self.takes)}
        command = [
            sys.executable,
            "-m",
            "instrument.cli",
            "play",
            *map(str, patches),
            "--audio",
            "jack",
            "--midi",
            "listener:out",
        ]
        self.process = subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True)
        self.said: list[str] = []
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()
        self.size = SIZE
        self.number = self._text = ""

    def __enter__(self) -> Self:
        try:
            self._begin()
        except BaseException:
            self.__exit__()
            raise
        return self

    def _begin(self) -> None:
        words = self.window_process().cmdline()
        name, rate = words[words.index("instrument.window") + 1 :][:2]
        self.engine = Engine(float(rate), attach(name))
        pygame.font.init()
        self.know(self.patches[0].read_text())
        self.meet()

    def __exit__(self, *ended: object) -> None:
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(20)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        self._listener.join(5)
        if self.process.stderr is not None:
            self.process.stderr.close()
        pygame.font.quit()

    def _listen(self) -> None:
        for line in self.process.stderr or ():
            self.said.append(line.rstrip("\n"))

    def window_process(self) -> psutil.Process:
        """The process of the window, once there is one."""
        found: list[psutil.Process] = []

        def there() -> bool:
            assert self.process.poll() is None, f"the show ended by itself: {self.said}"
            for child in psutil.Process(self.process.pid).children():
                if child.is_running() and "instrument.window" in _command(child):
                    found[:] = [child]
            return bool(found)

        wait_until(there, "the window's process", START)
        return found[0]

    def meet(self) -> None:
        """Wait for the window that is seen now, bring it to the corner, and give it the keyboard."""

        def there() -> bool:
            seen = self.display.do("search", "--onlyvisible", "--class", "Beamhand").split()
            self.number = seen[-1] if seen else ""
            return bool(seen)

        wait_until(there, "a window on the display", START)
        self.display.do("windowfocus", "--sync", self.number)
        self.resize(*self.size)

    # What a performer does

    def resize(self, width: int, height: int) -> None:
        """Make the window so large, in the corner of the display."""
        self.size = width, height
        self._place()
        page = self.desk.context.page
        self.know()
        self.desk.desk.show(page)

    def key(self, *names: str) -> None:
        """Press keys one after the other."""
        self.display.do("key", *names)

    def type(self, text: str) -> None:
        """Type a line and end it."""
        self.display.do("type", "--", text)
        self.key("Return")

    def turn_to(self, page: str) -> None:
        """Turn to a page, from wherever the window is, and wait until it is seen."""
        number = ("Layers", "Motion", "Hands", "Patches").index(page) + 1
        self.key("Escape", "Escape", f"ctrl+{number}")
        self.desk.desk.show(page)
        self.wait_for_sight(f"page {page}")

    def click(self, key: str, button: str = "1") -> None:
        """Press a cell, here too, so that what it opens is known."""
        x, y = self.desk.middle(key)
        self.display.do("mousemove", str(x), str(y), "click", button)
        self.desk.click(key)
        self.desk.desk.typing = None

    def drag(self, key: str, across: int, down: int, steps: int = 4) -> None:
        """Take hold of a cell's middle, and let go so many pixels away."""
        x, y = self.desk.middle(key)
        self.display.do("mousemove", str(x), str(y), "mousedown", "1")
        for k in range(1, steps + 1):
            self.display.do("mousemove", str(x + across * k // steps), str(y + down * k // steps))
        self.display.do("mouseup", "1")
        self.desk.desk.focus = key

    def turn_to_typing(self, page: str) -> None:
        """Wait for a page that a key has turned to so that something is typed there."""
        self.desk.desk.show(page)
        wait_until(lambda: self.is_chosen(f"page {page}"), page)

    # What is seen and heard of it

    def geometry(self) -> tuple[int, ...]:
        """Return width and height of the window."""
        return self._told("WIDTH", "HEIGHT")

    def know(self, text: str = "", **more: Any) -> None:
        """Make the desk of this process anew, for another text of the patch or for a window of another size."""
        self._text = text or self._text
        document = document_of(self._text)
        patch = patch_from_text(self._text)
        state: dict[str, Any] = {
            "title": document["title"],
            "document": document,
            "parameters": parameters_of(patch, [row.default for row in ROWS]),
            "snapshots": [row["name"] for row in document.get("snapshot", [])],
            "midi": ["listener:out", "listener:other"],
            "setlist": [
                {"title": document_of(path.read_text())["title"], "path": str(path), "index": k}
                for k, path in enumerate(self.patches)
            ],
            "current": 0,
            **more,
        }
        self.desk = Sitting(self.size, state, self.engine.record)

    def value(self, address: str) -> float:
        """What a parameter is set to in the engine."""
        return self.engine.value(address)

    def wait_for_value(self, address: str, right: Callable[[float], bool] | float) -> float:
        """Wait until the engine has a value, and return it."""
        check = right if callable(right) else lambda value: value == right
        wait_until(lambda: check(self.value(address)), f"{address}, which is {self.value(address)}")
        return self.value(address)

    def wait_for_words(self, words: str, count: int = 1) -> None:
        """Wait until the stage has said something so often."""
        wait_until(lambda: sum(words in line for line in self.said) >= count, f"{words!r} in {self.said}")

    def is_chosen(self, key: str) -> bool:
        """Whether a cell is shown as the chosen one, in its lower right corner, where nothing is written."""
        left, top, width, height = self.desk.cell(key).box
        red, green, blue = self.picture()[top + height - 5, left + width - 5].tolist()
        return (red, green, blue) == NIGHT.chosen

    def picture(self) -> npt.NDArray[np.uint8]:
        """Return the pixels of the window."""
        return self.display.picture(*self.size)

    def light(self) -> npt.NDArray[np.uint8]:
        """Return the pixels of the picture that the beam draws."""
        area = self.desk.areas.picture
        return self.picture()[area.top : area.bottom, area.left : area.right]

    def is_seen(self, key: str) -> bool:
        """Whether a cell is on the display, pixel by pixel as it should be with what the engine holds now."""
        cell = self.desk.cell(key)
        left, top, width, height = cell.box
        edge = max(self.desk.sizes.em // 10, 2)
        surface = pygame.Surface(self.size)
        painter = Painter(surface.get_rect(), self.desk.sizes, self.desk.font, NIGHT, ThumbnailCache())
        painter.draw(surface, [cell], self.desk.desk.focus, self.desk.desk.typing)
        wanted = pygame.surfarray.array3d(surface).swapaxes(0, 1)
        place = np.s_[top + edge : top + height - edge, left + edge : left + width - edge]
        return bool(np.array_equal(self.picture()[place], wanted[place]))

    def wait_for_sight(self, key: str) -> None:
        """Wait until a cell is on the display as it should be."""
        wait_until(lambda: self.is_seen(key) or self._put_back(), f"{self.desk.cell(key)} on the display", 10)

    def _put_back(self) -> bool:
        # There is no window manager, and the library moves its window when it comes back from the whole screen.
        if self._told("X", "Y", "WIDTH", "HEIGHT") != (0, 0, *self.size):
            self._place()
        return False

    def _place(self) -> None:
        wide, tall = map(str, self.size)
        self.display.do("windowmove", self.number, "0", "0", "windowsize", self.number, wide, tall)

    def _told(self, *names: str) -> tuple[int, ...]:
        told = self.display.do("getwindowgeometry", "--shell", self.number)
        lines = dict(line.split("=") for line in told.splitlines())
        return tuple(int(lines.get(name, 0)) for name in names)


def _command(process: psutil.Process) -> list[str]:
    try:
        return list(process.cmdline())
    except psutil.NoSuchProcess:
        return []
