"""Fault log: one line a fault, with its time, its cause and what was done, in a file and in the window."""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from contextlib import suppress
from datetime import datetime
from typing import TYPE_CHECKING

from instrument.common.printable import printable
from instrument.common.user_folders import log_folder

if TYPE_CHECKING:
    from pathlib import Path

NAME = "faults.log"

MOST_BYTES = 256 * 1024
"""Length in bytes at which a file is put aside: some two thousand faults."""

ROTATED = 3
"""Number of files put aside; the oldest of more goes."""

SHOWN = 50
"""Number of lines that the window is told."""

_LONGEST = 600
_QUEUE = 1000
_END_SECONDS = 2.0

GOES_ON = "the show goes on"
"""Default for what was done about a fault."""


class FaultLog:
    """Lines of faults, in memory and in a file that a thread of its own writes.

    A disk that is full, or a folder that may not be written, costs the lines in the file and nothing else: they
    stay in memory, and the reason is a line as well.

    Parameters
    ----------
    folder : Path, optional
        By default the folder of the user's logs.

    Notes
    -----
    `note` is for the threads of the stage; it never waits. The audio callback counts and calls nothing here.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.path = (folder if folder is not None else log_folder()) / NAME
        self._began = time.monotonic()
        self._lines: deque[str] = deque(maxlen=SHOWN)
        self._lock = threading.Lock()
        self._waiting: queue.Queue[str | None] = queue.Queue(_QUEUE)
        self._refused = False
        self._thread: threading.Thread | None = None

    @property
    def lines(self) -> list[str]:
        """The latest lines, the newest last."""
        with self._lock:
            return list(self._lines)

    def note(self, cause: str, done: str = GOES_ON) -> str:
        """Log a fault and return its line.

        Parameters
        ----------
        cause, done : str
            What has happened, and what was done about it; one line each, or they are made one.
        """
        line = f"{self._when()}  {_one_line(cause)}  ->  {_one_line(done)}"
        with self._lock:
            self._lines.append(line)
            # Only with the first fault, so that a show without any leaves no thread and no file.
            if self._thread is None:
                self._thread = threading.Thread(target=self._write_all, name="faults", daemon=True)
                self._thread.start()
        with suppress(queue.Full):
            self._waiting.put_nowait(line)
        return line

    def close(self) -> None:
        """Wait until all lines are written, for a short while at most."""
        if self._thread is None:
            return
        with suppress(queue.Full):
            self._waiting.put_nowait(None)
        self._thread.join(_END_SECONDS)

    def _when(self) -> str:
        # Of the two times only the second, since the start of the show, is sure to grow.
        now = datetime.now().astimezone().isoformat(timespec="milliseconds")
        return f"{now}  {time.monotonic() - self._began:9.3f} s"

    def _write_all(self) -> None:
        while (line := self._waiting.get()) is not None:
            try:
                self._write(line)
            except OSError as error:
                # Told once for a disk that stays full, and again after it was not.
                if not self._refused:
                    self._refused = True
                    why = f"the log of faults {self.path} cannot be written ({error.strerror or error})"
                    with self._lock:
                        self._lines.append(f"{self._when()}  {why}  ->  it is kept in memory only")
            else:
                self._refused = False

    def _write(self, line: str) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with suppress(FileNotFoundError):
            if self.path.stat().st_size > MOST_BYTES:
                self._put_aside()
        with self.path.open("a", encoding="utf-8", errors="backslashreplace") as file:
            file.write(line + "\n")

    def _put_aside(self) -> None:
        for number in range(ROTATED, 0, -1):
            before = self.path if number == 1 else self.path.with_name(f"{NAME}.{number - 1}")
            with suppress(FileNotFoundError):
                before.replace(self.path.with_name(f"{NAME}.{number}"))


def _one_line(text: str) -> str:
    line = printable(" ".join(text.split()))
    return line if len(line) <= _LONGEST else f"{line[:_LONGEST]}..."
