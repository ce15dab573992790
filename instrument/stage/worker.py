"""A process of its own for reading and saving patches, so that no heavy Python runs beside the MIDI thread."""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from instrument.patch.routing import stop_reading, warm_up
from instrument.stage.loading import LoadedPatch, files_named_in, read_patch, write_patch

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

PATIENCE = 120.0
"""Seconds after which a patch is given up; a large drawing takes one or two, and each has its own limit."""

_NICENESS = 10

_ENDING = 1.0


@dataclass(frozen=True)
class Answer:
    """What became of one request.

    Attributes
    ----------
    do : str
        ``read``, ``save`` or ``warm``.
    path : Path
    patch : LoadedPatch or None
        The patch that was read.
    text : str
        The text that was saved.
    trouble : str
        Why nothing came of it; otherwise empty.
    files : tuple of Path
        Drawings of a patch that could not be read, which may be mended before the patch is.
    """

    do: str
    path: Path
    patch: LoadedPatch | None = None
    text: str = ""
    trouble: str = ""
    files: tuple[Path, ...] = ()


class Worker:
    """One process, started at the first request, that works through requests in order."""

    def __init__(self) -> None:
        self._process: Any = None
        self._connection: Connection | None = None
        self._waiting: list[tuple[str, Path, str, list[float]]] = []
        self._since = 0.0

    def warm_up(self) -> None:
        """Start the process, and the one that reads drawings, so that the first saved drawing finds them ready."""
        self._ask("warm", Path(), "", [])

    def read(self, path: Path) -> None:
        """Ask for a patch file to be read; a request for the same file that still waits is enough."""
        if ("read", path) not in [(do, other) for do, other, _, _ in self._waiting[1:]]:
            self._ask("read", path, "", [])

    def save(self, path: Path, text: str, values: list[float]) -> None:
        """Ask for a patch to be saved with other values; see `write_patch`."""
        self._ask("save", path, text, values)

    def answers(self) -> list[Answer]:
        """Return what has been done since the last call; never waits."""
        found: list[Answer] = []
        while self._waiting and self._connection is not None:
            do, path, _, _ = self._waiting[0]
            try:
                if self._connection.poll():
                    found.append(self._connection.recv())
                elif time.monotonic() - self._since > PATIENCE:
                    raise TimeoutError
                else:
                    break
            except (EOFError, OSError) as error:
                slow = isinstance(error, TimeoutError)
                why = (
                    f"took longer than {PATIENCE:g} s" if slow else "ended the process that works on patches"
                )
                found.append(Answer(do, path, trouble=f"{path}: this file {why}; the old one plays on."))
                self.close()
            self._waiting.pop(0)
            self._hand_on()
        return found

    def close(self) -> None:
        """End the process, whatever it is doing; a later request starts another."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None
        if self._process is not None:
            # The signal lets it end the process that reads drawings; one that cannot hear it is ended anyway.
            self._process.terminate()
            self._process.join(_ENDING)
            self._process.kill()
            self._process.join()
            self._process.close()
            self._process = None

    def _ask(self, do: str, path: Path, text: str, values: list[float]) -> None:
        self._waiting.append((do, path, text, values))
        if len(self._waiting) == 1:
            self._hand_on()

    def _hand_on(self) -> None:
        if not self._waiting:
            return
        if self._connection is None:
            self._start()
        self._since = time.monotonic()
        if self._connection is not None:
            with suppress(OSError):  # a process that has gone is noticed where its answer is awaited
                self._connection.send(self._waiting[0])

    def _start(self) -> None:
        # Not forked: a copy of a process with running audio threads may stand still for ever.
        context = multiprocessing.get_context("spawn")
        self._connection, theirs = context.Pipe()
        self._process = context.Process(target=_work, args=(theirs,), name="patches", daemon=True)
        self._process.start()
        theirs.close()


def _work(connection: Connection) -> None:
    # Ctrl-C is for the stage, which ends this process; the sound goes first when cores are scarce.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _end)
    if hasattr(os, "nice"):
        os.nice(_NICENESS)
    with suppress(EOFError, OSError):
        while True:
            connection.send(_answer(*connection.recv()))
    stop_reading()


def _end(*_: object) -> None:
    stop_reading()
    os._exit(0)


def _answer(do: str, path: Path, text: str, values: list[float]) -> Answer:
    # Patch errors are sentences already; whatever else a file provokes must not end the process.
    try:
        if do == "warm":
            warm_up()
            return Answer(do, path)
        if do == "save":
            return Answer(do, path, text=write_patch(path, text, values))
        return Answer(do, path, read_patch(path))
    except Exception as error:  # noqa: BLE001
        files = files_named_in(path) if do == "read" else ()
        return Answer(do, path, trouble=str(error) or f"{path}: {type(error).__name__}", files=files)
