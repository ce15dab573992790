"""The picture alone on a second display: another process of the window, over the same memory."""

from __future__ import annotations

import json
import subprocess
import sys
from contextlib import suppress
from typing import Any

import pygame

from instrument.guest import Guest

FORWARDED: dict[int, tuple[str, ...]] = {
    pygame.KEYDOWN: ("key", "scancode", "mod", "unicode"),
    pygame.KEYUP: ("key", "scancode", "mod"),
    pygame.TEXTINPUT: ("text",),
    pygame.WINDOWFOCUSLOST: (),
}
"""What the second window passes on: keys, the letters they make, and that it has lost the keyboard, after which the
release of a key that is held never comes."""

_PATIENCE = 2.0


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

    @property
    def running(self) -> bool:
        """Whether it is there."""
        return self._guest.running

    def open(self, display: int) -> None:
        """Show the picture on a display, counted from 0.

        Raises
        ------
        OSError
            If no process can be started.
        """
        self._guest.start([*self._command, str(display)])

    def close(self) -> None:
        """Take it away."""
        process = self._guest.process
        if process is None:
            return
        self._guest.hang_up()
        try:
            process.wait(_PATIENCE)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        self._guest.let_go()

    def events(self) -> list[pygame.event.Event]:
        """Return what came in there since the last call, as if it had come in here."""
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
