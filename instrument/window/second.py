"""The picture alone on a second display: another process of the window, over the same memory."""

from __future__ import annotations

import json
import queue
import subprocess
import sys
import threading
from contextlib import suppress
from typing import IO, Any

import pygame

FORWARDED = {pygame.KEYDOWN: ("key", "scancode", "mod", "unicode"), pygame.KEYUP: ("key", "scancode", "mod")}
"""What the second window passes on of keys that are pressed while it has the keyboard."""


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
        self._memory, self._rate = memory, rate
        self._process: subprocess.Popen[str] | None = None
        self._events: queue.SimpleQueue[str] = queue.SimpleQueue()

    @property
    def running(self) -> bool:
        """Whether it is there."""
        return self._process is not None and self._process.poll() is None

    def open(self, display: int) -> None:
        """Show the picture on a display, counted from 0.

        Raises
        ------
        OSError
            If no process can be started.
        """
        command = [
            sys.executable,
            "-m",
            "instrument.window",
            self._memory,
            repr(self._rate),
            "--picture",
            str(display),
        ]
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        threading.Thread(
            target=self._listen, args=(self._process.stdout,), daemon=True, name="second"
        ).start()

    def close(self) -> None:
        """Take it away."""
        process, self._process = self._process, None
        if process is None:
            return
        if process.stdin is not None:
            with suppress(OSError):
                process.stdin.close()
        try:
            process.wait(2)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def tell(self, message: dict[str, Any]) -> None:
        """Pass on what the stage has said."""
        if self._process is not None and self._process.stdin is not None:
            with suppress(OSError, ValueError):
                self._process.stdin.write(json.dumps(message) + "\n")
                self._process.stdin.flush()

    def events(self) -> list[pygame.event.Event]:
        """Return keys that were pressed there since the last call, as if they had been pressed here."""
        found = []
        while not self._events.empty():
            with suppress(ValueError, KeyError, TypeError):
                message = json.loads(self._events.get())
                if message.get("do") == "key":
                    kind = int(message["kind"])
                    found.append(pygame.event.Event(kind, {name: message[name] for name in FORWARDED[kind]}))
        return found

    def _listen(self, stream: IO[str] | None) -> None:
        if stream is None:
            return
        with suppress(OSError, ValueError), stream:
            for line in stream:
                self._events.put(line)


def forwarded(event: pygame.event.Event) -> dict[str, Any] | None:
    """Return a key as the second window passes it on; None for everything else."""
    names = FORWARDED.get(event.type)
    return {"kind": event.type, **{name: getattr(event, name, 0) for name in names}} if names else None
