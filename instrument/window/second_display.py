"""The picture alone on a second display: another process of the window, over the same memory."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from contextlib import suppress
from typing import Any

import pygame

from instrument.common.child_process import Guest

FORWARDED: dict[int, tuple[str, ...]] = {
    pygame.KEYDOWN: ("key", "scancode", "mod", "unicode"),
    pygame.KEYUP: ("key", "scancode", "mod"),
    pygame.TEXTINPUT: ("text",),
    pygame.WINDOWFOCUSLOST: (),
}
"""What the second window passes on: keys, the letters they make, and that it has lost the keyboard, after which the
release of a key that is held never comes."""

_PATIENCE = 2.0
"""Seconds after which one that was told to end is ended."""


class SecondDisplay:
    """The window on the second display, or none.

    Parameters
    ----------
    memory : str
        Name of the shared memory.
    rate : float
        Sample rate in hertz.
    """

    def __init__(self, memory: str, rate: float) -> None:
        self._command = [sys.executable, "-m", "instrument.window", memory, repr(rate), "--picture"]
        self._guest = Guest("second")
        self._ends_by: float | None = None

    @property
    def running(self) -> bool:
        """Whether it is there and shall be."""
        return self._guest.running and self._ends_by is None

    def open(self, display: int) -> None:
        """Show the picture on a display, counted from 0.

        Raises
        ------
        OSError
            If no process can be started.
        """
        self.end()
        self._guest.start([*self._command, str(display)])

    def close(self) -> None:
        """Take it away, as soon as it has heard of it; `events` sees to it if it does not listen."""
        self._guest.hang_up()
        self._ends_by = time.monotonic() + _PATIENCE

    def end(self) -> None:
        """Take it away now."""
        process = self._guest.process
        if process is not None:
            self._guest.hang_up()
            try:
                process.wait(_PATIENCE)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            self._guest.let_go()
        self._ends_by = None

    def events(self) -> list[pygame.event.Event]:
        """Return what came in there since the last call, as if it had come in here."""
        process = self._guest.process
        if self._ends_by is not None and process is not None and time.monotonic() > self._ends_by:
            process.kill()
        found = []
        for line in self._guest.said():
            with suppress(ValueError, KeyError, TypeError, AttributeError):
                message = json.loads(line)
                if message.get("do") == "key":
                    kind = int(message["kind"])
                    found.append(pygame.event.Event(kind, {name: message[name] for name in FORWARDED[kind]}))
        return found


def forwarded(event: pygame.event.Event) -> dict[str, Any] | None:
    """Return an event as the second window passes it on; None for one that it keeps to itself."""
    names = FORWARDED.get(event.type)
    if names is None:
        return None
    return {"kind": event.type, **{name: getattr(event, name, 0) for name in names}}
