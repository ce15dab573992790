"""Window process: started, told the state, listened to, and started again when it crashes or stands still.

The show loses nothing with it: the window reads the engine's shared memory, and all that it shows is told anew to the next one.
"""

from __future__ import annotations

import json
import time
from typing import Any

from instrument.common.child_process import ChildProcess, kill, module_command
from instrument.workbench.requests import ALIVE

RESTARTS = 3
"""Number of times that a window that crashed is started again."""

SILENCE = 10.0
"""Time in seconds without a word after which a window that has said that it is alive counts as standing still."""

_MOST_SILENCE = 0.5
"""Time in seconds that one poll adds to the silence at most: while the show itself stands still, it hears nothing."""

_GOOD_RUN = 60.0
"""Life in seconds after which a crash is a new one and not the last one again."""

_NO_DISPLAY = 1
_SOON = 10.0
_CLOSED = 0


class WindowProcess:
    """Window over the engine's shared memory.

    Parameters
    ----------
    memory : str
        Name of the shared memory.
    rate : float
        Sample rate in hertz.
    """

    def __init__(self, memory: str, rate: float) -> None:
        self._command = module_command("instrument.window", memory, repr(rate))
        self._child = ChildProcess("window")
        self._state: dict[str, Any] = {}
        self._sent: dict[str, Any] = {}
        self._began = 0.0
        self._restarts = 0
        self._alive = False
        self._silent = 0.0
        self._looked = 0.0
        self._stalled = False

    @property
    def running(self) -> bool:
        """True while the process lives."""
        return self._child.running

    @property
    def process_id(self) -> int | None:
        """Number of its process; None if there is none."""
        return self._child.process.pid if self._child.process is not None else None

    def start(self) -> None:
        """Open the window.

        Raises
        ------
        OSError
            If no process can be started.
        """
        self._child.start(self._command)
        self._began = self._looked = time.monotonic()
        self._alive, self._silent, self._stalled = False, 0.0, False
        self._sent = {}
        self._send_changes()

    def show(self, state: dict[str, Any]) -> None:
        """Show the state of the show; what has changed of it is sent as soon as the window reads."""
        self._state = state
        self._send_changes()

    def _send_changes(self) -> None:
        # A window that is behind gets the newest of everything once it has read what was sent before.
        self._child.send_on()
        if self._child.unsent or not self.running:
            return
        # A large document that is the very same need not be looked through.
        news = {
            key: value
            for key, value in self._state.items()
            if key not in self._sent or not (self._sent[key] is value or self._sent[key] == value)
        }
        self._sent.update(news)
        if news:
            self._child.send(news)

    def requests(self) -> list[dict[str, Any]]:
        """Return the requests since the last call; a line that is none becomes one of an unknown name."""
        self._send_changes()
        found = []
        for line in self._child.lines():
            self._silent = 0.0
            try:
                message = json.loads(line)
            except (ValueError, RecursionError):
                message = None
            if not isinstance(message, dict) or "do" not in message:
                message = {"do": line.decode(errors="replace").strip()}
            self._alive = self._alive or message["do"] == ALIVE
            found.append(message)
        return found

    def restart_if_ended(self, *, needed: bool = False) -> str:
        """Start another window if this one has ended against its will; return one sentence about an end, else nothing.

        A window that has begun to say that it is alive, and says nothing any more, is ended first.

        Parameters
        ----------
        needed : bool
            Whether there is a question, so that even a window that was closed is opened again.
        """
        process = self._child.process
        if process is not None and self._has_stalled():
            # Its end is seen by a later call.
            self._stalled = True
            kill(process)
        if process is None or (status := process.poll()) is None:
            return ""
        lived = time.monotonic() - self._began
        self._child.forget()
        if status == _CLOSED and not needed:
            return "the window has closed; the sound plays on."
        # An uncaught exception ends with the same status, but comes later.
        if status == _NO_DISPLAY and lived < _SOON:
            return "playing without a window."
        # One that crashes as soon as it opens would otherwise be opened for ever.
        self._restarts = 0 if lived > _GOOD_RUN else self._restarts
        how = f"was ended by signal {-status}" if status < 0 else f"ended with status {status}"
        if self._stalled:
            how = f"stood still for {SILENCE:g} s"
        elif status == _CLOSED:
            how = "was closed with a question open"
        if self._restarts >= RESTARTS:
            return f"the window {how} once more; playing without it."
        self._restarts += 1
        try:
            self.start()
        except OSError as error:
            return f"the window {how} and does not start again ({error}); playing without it."
        return f"the window {how}; opened it again."

    def _has_stalled(self) -> bool:
        now = time.monotonic()
        passed, self._looked = now - self._looked, now
        if not self._alive or not self.running:
            return False
        self._silent += min(passed, _MOST_SILENCE)
        return self._silent > SILENCE

    def close(self) -> None:
        """End the conversation, which ends the window; one that does not listen is ended."""
        self._child.end()
