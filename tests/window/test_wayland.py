"""The window on a Wayland compositor, through the library's own driver: it opens, is seen, hears keys, and fills the screen.

The compositor shows its one output as a window of an X server, whose pixels and keys are the tests' own.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import pytest

from tests.missing_parts import leave_out
from tests.window.display import Running, running_display, wait_for
from tests.window.memory import RATE, shared_memory, take_messages
from tools.trials.stand_ins import end_process

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.window.display import Display

pytestmark = [pytest.mark.device, pytest.mark.xdist_group("screen")]

OUTPUT = (1600, 1000)
_DARK = 40


@contextmanager
def compositor(display: Display, folder: Path) -> Iterator[dict[str, str]]:
    """Run a compositor on a display; yield the environment of its clients."""
    if shutil.which("weston") is None:
        leave_out("weston not found; install it to test the window on Wayland")
    runtime = folder / "runtime"
    runtime.mkdir(mode=0o700)
    environment = {**display.environment, "XDG_RUNTIME_DIR": str(runtime)}
    size = [f"--width={OUTPUT[0]}", f"--height={OUTPUT[1]}"]
    options = ["--backend=x11-backend.so", "--use-pixman", "--no-config", "--idle-time=0", "--socket=harbour", *size]
    quiet: dict[str, Any] = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    process = subprocess.Popen(["weston", *options], env=environment, **quiet)
    try:
        wait_for((runtime / "harbour").exists, "the compositor", 60)
        number = wait_for(lambda: display.do("search", "--onlyvisible", "--class", "weston"), "its output", 60)
        display.do("windowmove", number, "0", "0", "windowfocus", "--sync", number)
        clients = {**environment, "WAYLAND_DISPLAY": "harbour"}
        del clients["DISPLAY"]
        yield clients
    finally:
        end_process(process)


def test_the_window_opens_hears_keys_and_fills_the_screen(tmp_path: Path) -> None:
    with (
        running_display(tmp_path, OUTPUT) as display,
        compositor(display, tmp_path) as environment,
        shared_memory() as memory,
    ):
        command = [sys.executable, "-m", "instrument.window", memory.name, str(RATE)]
        pipes: dict[str, Any] = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
        process = subprocess.Popen(command, env=environment, **pipes)
        window = Running(display, process)
        try:

            def covered() -> float:
                """Share of the output that is as dark as the window, and no desktop behind it."""
                assert process.poll() is None, f"the window ended by itself with status {process.returncode}"
                return float((display.picture(*OUTPUT).max(axis=2) < _DARK).mean())

            wait_for(lambda: 0.5 < covered() < 0.75, "the window")

            def heard() -> list[tuple[int, int, int]]:
                display.do("key", "d")
                return take_messages(memory.record)

            assert wait_for(heard, "a note", 30)[0] == (0x90, 52, 100)
            display.do("key", "F11")
            wait_for(lambda: covered() > 0.9, "the whole screen", 30)
            display.do("key", "F11")
            wait_for(lambda: covered() < 0.75, "the window again", 30)
            window.hang_up()
            assert process.wait(20) == 0
        finally:
            process.kill()
            process.wait()
            for stream in (process.stdin, process.stdout):
                if stream is not None and not stream.closed:
                    stream.close()
