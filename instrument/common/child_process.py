"""Child processes: modules of the package run apart, spoken to through pipes, and ended within a bound.

Every process that the package starts is started by `launch` and ended by `end`, so that command, environment, process group
and end are alike. `ChildProcess` adds what the running show needs: lines in both directions, neither of which is ever
waited for.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

END_SECONDS = 2.0
"""Time that a child has to end by itself, then to heed a signal, and then to be gone."""

_TURN = 0.01


def module_command(module: str, *arguments: str) -> list[str]:
    """Return the command that runs a module of the package with this interpreter."""
    # With -P the folder that the player happens to be in is not searched for libraries.
    return [sys.executable, "-P", "-m", module, *arguments]


def child_environment(*, one_core: bool = False) -> dict[str, str]:
    """Return this process's environment, with the folder of the package on the path of modules.

    Parameters
    ----------
    one_core : bool
        Whether numeric libraries are to start no threads of their own, which would compete with the sound.
    """
    root = str(Path(__file__).resolve().parents[2])
    threads = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"} if one_core else {}
    path = os.pathsep.join(filter(None, (root, os.environ.get("PYTHONPATH"))))
    return {**os.environ, **threads, "PYTHONPATH": path}


def launch(
    command: Sequence[str], *, talks: bool = True, errors: bool = True, one_core: bool = False
) -> subprocess.Popen[bytes]:
    """Start a process in a process group of its own, so that Ctrl-C reaches only the one that started it.

    Parameters
    ----------
    command : sequence of str
        Usually a `module_command`.
    talks : bool
        Whether its standard input and output are pipes, the end of the first being its sign to end; otherwise it has neither.
    errors : bool
        Whether what it writes to standard error is seen.
    one_core : bool
        As for `child_environment`.

    Raises
    ------
    OSError
        If no process can be started.

    See Also
    --------
    end, end_later : The other end of it.
    """
    pipe = subprocess.PIPE if talks else subprocess.DEVNULL
    return subprocess.Popen(  # noqa: S603 - our own interpreter and module
        command,
        stdin=pipe,
        stdout=pipe,
        stderr=None if errors else subprocess.DEVNULL,
        env=child_environment(one_core=one_core),
        start_new_session=True,
        creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
    )


def kill(process: subprocess.Popen[bytes]) -> None:
    """End a process and what it has started in its group, at once; does not wait until they are gone."""
    if process.poll() is not None:
        return
    with suppress(ProcessLookupError, PermissionError):
        # The group, as the reader of drawings forks another process for its matching.
        if hasattr(os, "killpg"):
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()


def end(process: subprocess.Popen[bytes], patience: float = END_SECONDS) -> None:
    """Wait for the end of a process, tell it to end, kill it: whatever it does, this returns.

    Parameters
    ----------
    process : subprocess.Popen
    patience : float
        Seconds before each step; 0 kills at once.
    """
    steps: tuple[Callable[[], None], ...] = (process.terminate, lambda: kill(process)) if patience > 0 else ()
    # The end of its input has been its first sign. SIGTERM is the second, by which it can still end its own children.
    for step in steps:
        with suppress(subprocess.TimeoutExpired):
            process.wait(patience)
            break
        step()
    else:
        kill(process)
        # A process that waits for a dead disk cannot be killed, and is left behind.
        with suppress(subprocess.TimeoutExpired):
            process.wait(END_SECONDS)


def end_later(process: subprocess.Popen[bytes], patience: float = END_SECONDS) -> None:
    """Have a process ended by a thread, for callers that may not wait."""
    threading.Thread(target=end, args=(process, patience), name="end", daemon=True).start()


class ChildProcess:
    """A process that is spoken to in lines of JSON, while there is one.

    Only what takes a time waits, and no longer than that; the rest may be called by the show's loop.

    Parameters
    ----------
    name : str
        Of the thread that listens.
    deliver : callable, optional
        Takes each line in that thread, and None behind the last; by default they are kept for `lines`.

    Attributes
    ----------
    process : subprocess.Popen or None
    """

    def __init__(self, name: str, deliver: Callable[[bytes | None], None] | None = None) -> None:
        self._name = name
        self._inbox: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._deliver = deliver or self._inbox.put
        self._unsent = b""
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def running(self) -> bool:
        """True while the process lives."""
        return self.process is not None and self.process.poll() is None

    @property
    def unsent(self) -> int:
        """Bytes that found no room in the pipe yet."""
        return len(self._unsent)

    def start(self, command: Sequence[str], *, errors: bool = True, one_core: bool = False) -> None:
        """Start it anew, with nothing left to send; parameters and errors as for `launch`."""
        self.process = launch(command, errors=errors, one_core=one_core)
        self._unsent = b""
        if self.process.stdin is not None:
            with suppress(OSError, AttributeError):  # one that stalls must not stall the show
                os.set_blocking(self.process.stdin.fileno(), False)
        threading.Thread(
            target=_listen, args=(self.process.stdout, self._deliver), name=self._name, daemon=True
        ).start()

    def send(self, message: dict[str, Any]) -> None:
        """Tell it something, or keep it until there is room in the pipe."""
        self._unsent += json.dumps(message).encode() + b"\n"
        self.send_on()

    def send_on(self) -> None:
        """Send what found no room in the pipe before."""
        if not self._unsent or self.process is None or self.process.stdin is None:
            return
        # Past the file object: its buffer would take part of a message and lose count of it when the pipe is full.
        try:
            written = os.write(self.process.stdin.fileno(), self._unsent)
        except BlockingIOError:
            return
        except (OSError, ValueError):
            # It has ended, or was told to: that is noticed where it is polled, and nothing is owed to it.
            self._unsent = b""
            return
        self._unsent = self._unsent[written:]

    def lines(self) -> list[bytes]:
        """Return the lines that have come since the last call."""
        found = []
        with suppress(queue.Empty):
            while True:
                if (line := self._inbox.get_nowait()) is not None:
                    found.append(line)
        return found

    def wait_for_line(self, seconds: float) -> bytes | None:
        """Return the next line, or None if none has come for so long or it has said its last."""
        with suppress(queue.Empty):
            return self._inbox.get(timeout=seconds)
        return None

    def wait_for_end(self, seconds: float) -> int | None:
        """Return its exit status; None if it has not ended after so long."""
        with suppress(subprocess.TimeoutExpired):
            return self.process.wait(seconds) if self.process is not None else None
        return None

    def hang_up(self, within: float = 0.0) -> None:
        """Close its standard input, which it takes for the end.

        Parameters
        ----------
        within : float
            Seconds that it has to take what is still unsent.
        """
        deadline = time.monotonic() + within
        while self._unsent and self.running and time.monotonic() < deadline:
            self.send_on()
            time.sleep(_TURN)
        self._unsent = b""
        if self.process is not None and self.process.stdin is not None:
            with suppress(OSError):
                self.process.stdin.close()

    def end(self, patience: float = END_SECONDS) -> None:
        """Hang up and see to its end, as `end` does; then there is none."""
        process = self.process
        if process is not None:
            self.forget()
            end(process, patience)

    def forget(self) -> None:
        """Hang up and leave it to itself."""
        self.hang_up()
        self.process = None


def _listen(stream: IO[bytes] | None, deliver: Callable[[bytes | None], None]) -> None:
    if stream is not None:
        with suppress(OSError, ValueError), stream:
            for line in stream:
                deliver(line)
    deliver(None)
