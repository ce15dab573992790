"""A process of ours that is spoken to in lines of JSON, and that nobody ever waits for."""

from __future__ import annotations

import json
import os
import queue
import subprocess
import threading
from contextlib import suppress
from typing import IO, TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence


class ChildProcess:
    """The process, while there is one.

    Parameters
    ----------
    name : str
        Of the thread that listens.

    Attributes
    ----------
    process : subprocess.Popen or None
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._said: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._unsent = b""
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def running(self) -> bool:
        """Whether it is there."""
        return self.process is not None and self.process.poll() is None

    @property
    def unsent(self) -> int:
        """Bytes that found no room in the pipe yet."""
        return len(self._unsent)

    def start(self, command: Sequence[str]) -> None:
        """Start it anew, with nothing left to send.

        Raises
        ------
        OSError
            If no process can be started.
        """
        # In a process group of its own, so that Ctrl-C reaches the stage alone, at whose end it is ended.
        self.process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
        )
        self._unsent = b""
        if self.process.stdin is not None:
            with suppress(OSError, AttributeError):  # one that stalls must not stall the stage
                os.set_blocking(self.process.stdin.fileno(), False)
        threading.Thread(target=_listen, args=(self.process.stdout, self._said), name=self._name, daemon=True).start()

    def send(self, message: dict[str, Any]) -> None:
        """Tell it something, or keep it until there is room in the pipe."""
        self._unsent += json.dumps(message).encode() + b"\n"
        self.send_on()

    def send_on(self) -> None:
        """Send what found no room in the pipe before; never waits."""
        if not self._unsent or self.process is None or self.process.stdin is None:
            return
        try:
            written = os.write(self.process.stdin.fileno(), self._unsent)
        except BlockingIOError:
            return
        except (OSError, ValueError):
            self._unsent = b""
            return
        self._unsent = self._unsent[written:]

    def said(self) -> list[bytes]:
        """Return the lines that it has said since the last call."""
        lines = []
        while not self._said.empty():
            lines.append(self._said.get())
        return lines

    def hang_up(self, *, in_full: bool = False) -> None:
        """Send no more, which it takes for the end.

        Parameters
        ----------
        in_full : bool
            Whether to wait until it has taken what is left.
        """
        if self.process is None or self.process.stdin is None:
            return
        with suppress(OSError):
            if in_full:
                os.set_blocking(self.process.stdin.fileno(), True)
                self.process.stdin.write(self._unsent)
            self.process.stdin.close()

    def let_go(self) -> None:
        """Forget one that has ended."""
        self.hang_up()
        self.process = None


def _listen(stream: IO[bytes] | None, said: queue.SimpleQueue[bytes]) -> None:
    if stream is None:
        return
    with suppress(OSError, ValueError), stream:
        for line in stream:
            said.put(line)
