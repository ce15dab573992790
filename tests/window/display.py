"""A display without a screen, whose pixels a test can read, and the window on it."""

import json
import os
import queue
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import numpy as np
import numpy.typing as npt

from tests.missing_parts import leave_out
from tests.window.memory import RATE
from tools.trials.screen_pixels import pixels_of
from tools.trials.stand_ins import end_process

SIDE = 2200
"""Pixels of the display, in both directions: room for a window of 2,160."""

_PATIENCE = 300.0
"""Seconds that anything may take; the first start compiles."""


def wait_for(what: Callable[[], Any], why: str, seconds: float = _PATIENCE) -> Any:
    """Return the first true value of `what`."""
    limit = time.monotonic() + seconds
    while time.monotonic() < limit:
        value = what()
        if value:
            return value
        time.sleep(0.02)
    raise AssertionError(f"not within {seconds:g} s: {why}")


class Display:
    """A running Xvfb, driven by xdotool and seen through the file it keeps its pixels in."""

    def __init__(self, name: str, pixels: Path) -> None:
        self.environment = {**os.environ, "DISPLAY": name}
        # No settings of whoever runs the tests; the picture alone, unless a test turns to the desk.
        settings = pixels.parent / "config" / "beamhand" / "window.toml"
        settings.parent.mkdir(parents=True, exist_ok=True)
        settings.write_text('view = "stage"\n')
        self.environment["XDG_CONFIG_HOME"] = str(settings.parent.parent)
        self._pixels = pixels

    def do(self, *words: str) -> str:
        """Run xdotool and return what it says."""
        command = ["xdotool", *words]
        done = subprocess.run(command, env=self.environment, capture_output=True, text=True, check=False)
        return done.stdout.strip()

    def picture(self, width: int | None = None, height: int | None = None) -> npt.NDArray[np.uint8]:
        """Return the pixels of the upper left corner, all unless told (`pixels_of`)."""
        return pixels_of(self._pixels, width, height)


@contextmanager
def x_server(folder: Path, command: Sequence[str], *, without: str = "") -> Iterator[Display]:
    """Run an X server on a free display; one that is missing is a failure where nothing may be left out.

    `without` is a sentence on what else is missing.
    """
    missing = [name for name in (command[0], "xdotool") if shutil.which(name) is None]
    if missing or without:
        sentence = without or f"{' and '.join(missing)} not found; install them to test the window"
        leave_out(sentence)
    reading, writing = os.pipe()
    # Without a reset when the last client leaves, which is between two commands and would turn the next one away.
    options = ["-noreset", "-nolisten", "tcp", "-displayfd", str(writing)]
    server = subprocess.Popen([*command, *options], pass_fds=[writing], stderr=subprocess.DEVNULL)
    os.close(writing)
    try:
        with os.fdopen(reading) as numbers:
            number = numbers.readline().strip()
        assert number, f"{command[0]} ended before it had a display"
        yield Display(f":{number}", folder / "Xvfb_screen0")
    finally:
        end_process(server)


@contextmanager
def running_display(folder: Path, size: tuple[int, int] = (SIDE, SIDE)) -> Iterator[Display]:
    """Run an Xvfb on a free display; a machine without one is a failure where nothing may be left out."""
    screen = ["-screen", "0", f"{size[0]}x{size[1]}x24", "-fbdir", str(folder)]
    with x_server(folder, ["Xvfb", *screen]) as display:
        yield display


class Running:
    """A window process, spoken to as the stage does."""

    def __init__(self, display: Display, process: subprocess.Popen[str]) -> None:
        self.display = display
        self.process = process
        self.number = ""
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        assert process.stdout is not None
        self._listener = threading.Thread(target=self._listen, args=(process.stdout,), daemon=True)
        self._listener.start()

    def _listen(self, stream: IO[str]) -> None:
        for line in stream:
            # That it is alive it says each second, whatever happens.
            if json.loads(line) != {"do": "alive"}:
                self._lines.put(line)

    def say(self, **message: Any) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(message) + "\n")
        self.process.stdin.flush()

    def hang_up(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.close()

    def command(self) -> dict[str, Any]:
        """Return the next command that the window sends."""
        found: dict[str, Any] = json.loads(self._lines.get(timeout=20))
        return found

    def silent(self) -> bool:
        """Return whether no command waits."""
        return self._lines.empty()

    def key(self, *names: str) -> None:
        self.display.do("key", *names)

    def resize(self, width: int, height: int) -> None:
        self.display.do("windowsize", self.number, str(width), str(height))
        self.display.do("windowmove", self.number, "0", "0")

    def focus(self) -> None:
        self.display.do("windowfocus", "--sync", self.number)

    def picture(self, width: int, height: int) -> npt.NDArray[np.uint8]:
        """Return the pixels of the upper left corner of the display, where the window is."""
        return self.display.picture(width, height)


@contextmanager
def opened_window(display: Display, name: str, *more: str) -> Iterator[Running]:
    """Start the window on a memory and wait until it is seen, wherever it lies and whoever has the keyboard."""
    command = [sys.executable, "-m", "instrument.window", name, str(RATE), *more]
    pipes: dict[str, Any] = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    before = set(_windows(display))
    process = subprocess.Popen(command, env=display.environment, **pipes)
    running = Running(display, process)
    try:

        def seen() -> str:
            assert process.poll() is None, f"the window ended by itself with status {process.returncode}"
            return next(iter(set(_windows(display)) - before), "")

        running.number = wait_for(seen, "the window is seen")
        yield running
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(10)
        running._listener.join(10)
        for stream in (process.stdin, process.stdout):
            if stream is not None and not stream.closed:
                stream.close()


@contextmanager
def running_window(display: Display, name: str, *more: str) -> Iterator[Running]:
    """Start the window where there is no window manager: it has the keyboard, and lies in the corner."""
    with opened_window(display, name, *more) as running:
        running.focus()
        display.do("windowmove", running.number, "0", "0")
        yield running


def _windows(display: Display) -> list[str]:
    return display.do("search", "--onlyvisible", "--class", "Beamhand").split()
