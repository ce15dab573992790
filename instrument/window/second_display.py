"""The picture alone on a second display: a process of its own over the same memory, and the window in it."""

from __future__ import annotations

import json
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import pygame

from instrument.common.child_process import END_SECONDS, ChildProcess, kill, module_command
from instrument.window.beam_picture import FramePace, OutputReader, Picture
from instrument.window.live_values import LiveValues
from instrument.window.placement import fill_display

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from instrument.beam.look import Look
    from instrument.window.stage_messages import Channel

FORWARDED: dict[int, tuple[str, ...]] = {
    pygame.KEYDOWN: ("key", "scancode", "mod", "unicode"),
    pygame.KEYUP: ("key", "scancode", "mod"),
    pygame.TEXTINPUT: ("text",),
    pygame.WINDOWFOCUSLOST: (),
}
"""Events that the second window passes on: keys, the letters they make, and that it has lost the keyboard, after which the
release of a key that is held never comes."""


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
        self._command = module_command("instrument.window", memory, repr(rate), "--picture")
        self._child = ChildProcess("second")
        self._ends_by: float | None = None

    @property
    def running(self) -> bool:
        """True from its opening until it is told to close."""
        return self._child.running and self._ends_by is None

    def open(self, display: int) -> None:
        """Show the picture on a display, counted from 0.

        Raises
        ------
        OSError
            If no process can be started.
        """
        self.end()
        self._child.start([*self._command, str(display)])

    def close(self) -> None:
        """Take it away, as soon as it has heard of it; `events` sees to it if it does not listen."""
        self._child.hang_up()
        self._ends_by = time.monotonic() + END_SECONDS

    def end(self) -> None:
        """Take it away now."""
        self._child.end()
        self._ends_by = None

    def events(self) -> list[pygame.event.Event]:
        """Return what came in there since the last call, as if it had come in here."""
        process = self._child.process
        if self._ends_by is not None and process is not None and time.monotonic() > self._ends_by:
            kill(process)
        found = []
        for line in self._child.lines():
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


class PictureWindow:
    """A whole display filled by the picture.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]
    rate : float
        Sample rate in hertz.
    channel : Channel
        To the window that has opened it; its end is the end of this one.
    look : Look
    display : int
        Counted from 0; one that is not there is taken as the last one.
    """

    def __init__(self, record: npt.NDArray[np.void], rate: float, channel: Channel, look: Look, display: int) -> None:
        self._channel = channel
        self._reader = OutputReader(record, rate)
        self._live = LiveValues(record, rate)
        self._rate, self._look = rate, look
        fill_display(display)
        pygame.mouse.set_visible(False)
        self._lay_out()

    def _lay_out(self) -> None:
        self._screen = pygame.display.get_surface()
        self._picture = Picture(self._screen.get_rect(), self._rate, self._look)
        self._screen.fill((0, 0, 0))
        self._picture.draw_all(self._screen)
        pygame.display.flip()

    def run(self) -> None:
        """Show the picture until the other window is gone."""
        pace = FramePace()
        before = time.monotonic()
        while not self._channel.ended:
            now = pace.wait()
            self._channel.messages()
            for event in pygame.event.get():
                if event.type == pygame.QUIT:
                    return
                if (passed_on := forwarded(event)) is not None:
                    self._channel.send("key", **passed_on)
                elif event.type == pygame.WINDOWSIZECHANGED:
                    self._lay_out()
                elif event.type == pygame.WINDOWEXPOSED:
                    self._picture.draw_all(self._screen)
                    pygame.display.flip()
            passed = now - before
            self._picture.update(self._reader.read(passed), passed, dark=self._live.dark)
            changed = self._picture.draw_changes(self._screen)
            if changed is not None:
                pygame.display.update(changed)
            before = now
