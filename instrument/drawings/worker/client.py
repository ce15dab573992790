"""Client of the process that reads and routes drawings: whatever a file does there, the sound goes on."""

from __future__ import annotations

import contextlib
import os
import selectors
import subprocess
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from instrument.common.child_process import end, kill, launch, module_command
from instrument.common.late_libraries import still_installing
from instrument.drawings.limits import DrawingError
from instrument.drawings.load import LoadOptions, SampledFrames
from instrument.drawings.worker.protocol import (
    INSTALLING_SECONDS,
    MISSING,
    options_to_json,
    pack,
    unpack,
    unpack_loaded,
    unpack_routes,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from instrument.drawings.routing.closed_line import Route

    Progress = Callable[[str], None]

# A cold start loads some tens of megabytes of libraries, from a slow disk at worst; the very first one compiles the loops of
# outlines, on a machine that may be busy with the engine.
START_SECONDS = 300.0
BLOCK = 1 << 20

_LAST_WORD = 0.5
"""Seconds that a process which has closed its output has to say by its status why."""


class Worker:
    """A process that reads drawings, kept warm between them and replaced when it had to be ended.

    Methods may be called from any thread; one drawing is read at a time. The process starts with the first
    drawing, or with `start`.

    Examples
    --------
    >>> with Worker() as worker:
    ...     worker.load(text="O").points.shape
    (1, 4096, 3)
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._ready = False
        self._stopped = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    @property
    def pid(self) -> int | None:
        """The process's number, while there is one."""
        return None if self._process is None else self._process.pid

    def start(self) -> None:
        """Start the process without waiting for it, so that the first drawing finds it warm."""
        with self._lock:
            self._started()

    def load(
        self,
        paths: Sequence[str | Path] = (),
        text: str | None = None,
        options: LoadOptions | None = None,
        progress: Progress | None = None,
    ) -> SampledFrames:
        """Read, route and sample; as `load.load`, but apart.

        Parameters
        ----------
        paths, text, options, progress
            As for `load.find_routes`. `options.read.limits` are held.

        Returns
        -------
        SampledFrames

        Raises
        ------
        DrawingError
            If the drawing is refused, breaks a limit, or `stop` was called.
        """
        words, arrays = self._job("loaded", paths, text, options or LoadOptions(), progress)
        return unpack_loaded(words, arrays)

    def routes(
        self,
        paths: Sequence[str | Path] = (),
        text: str | None = None,
        options: LoadOptions | None = None,
        progress: Progress | None = None,
    ) -> list[Route]:
        """Read and route without sampling; parameters and errors as for `load`."""
        words, arrays = self._job("routes", paths, text, options or LoadOptions(), progress)
        return unpack_routes(words, arrays)

    def stop(self) -> None:
        """End the process at once; a drawing being read is refused, and the next one gets a new process."""
        self._stopped = True
        # With it ends the matching that it may have started, which is in its process group.
        process = self._process
        if process is not None:
            kill(process)

    def close(self) -> None:
        """End the process and wait until it is gone."""
        process = self._process
        self.stop()
        with self._lock:
            self._forget()
        if process is not None:
            end(process, 0.0)

    def _job(
        self,
        want: str,
        paths: Sequence[str | Path],
        text: str | None,
        options: LoadOptions,
        progress: Progress | None,
    ) -> tuple[dict[str, Any], list[Any]]:
        absolute = [str(Path(path).absolute()) for path in paths]
        name = Path(paths[0]).name if len(paths) == 1 else None
        job = {"want": want, "paths": absolute, "text": text, "options": options_to_json(options)}
        limits = options.read.limits
        with self._lock:
            self._stopped = False
            process = self._started()
            try:
                if not self._ready:
                    seconds = INSTALLING_SECONDS if still_installing(drawings=True) else START_SECONDS
                    self._receive(process, time.monotonic() + seconds)
                    self._ready = True
                deadline = time.monotonic() + limits.seconds
                _put(process, pack(job))
                while "stage" in (message := self._receive(process, deadline))[0]:
                    if progress is not None:
                        progress(message[0]["stage"])
            # Whatever goes wrong, the process is ended: a later drawing must not read the answer to an earlier one.
            except TimeoutError:
                self._end()
                raise DrawingError(
                    f"it took longer than {limits.seconds:g} s. Simplify the drawing or raise the limit", name
                ) from None
            except (EOFError, BrokenPipeError, ValueError) as error:
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(_LAST_WORD)
                self._end()
                reason = "reading was stopped" if self._stopped else _why(process)
                raise DrawingError(reason, name) from error
        if "refused" in message[0]:
            reason, file, line = message[0]["refused"]
            raise DrawingError(reason, file or name, line)
        return message

    def _started(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self._forget()
            self._process = launch(module_command("instrument.drawings.worker.worker_process"), one_core=True)
        return self._process

    def _receive(self, process: subprocess.Popen[bytes], deadline: float) -> tuple[dict[str, Any], list[Any]]:
        with selectors.DefaultSelector() as selector:
            assert process.stdout is not None  # noqa: S101 (it was asked for)
            pipe = process.stdout.fileno()
            selector.register(pipe, selectors.EVENT_READ)

            def read(count: int) -> bytes:
                found = bytearray()
                while len(found) < count:
                    if not selector.select(max(0.0, deadline - time.monotonic())):
                        raise TimeoutError
                    block = os.read(pipe, min(BLOCK, count - len(found)))
                    if not block:
                        raise EOFError
                    found += block
                return bytes(found)

            return unpack(read)

    def _end(self) -> None:
        if self._process is not None:
            end(self._process, 0.0)
        self._forget()

    def _forget(self) -> None:
        if self._process is not None:
            for stream in (self._process.stdin, self._process.stdout):
                if stream is not None:
                    with contextlib.suppress(OSError):
                        stream.close()
        self._process = None
        self._ready = False


def _why(process: subprocess.Popen[bytes]) -> str:
    if process.returncode == MISSING:
        return "a library that reads drawings is not installed (the lines above name it)"
    return "the process that read it ended unexpectedly"


def _put(process: subprocess.Popen[bytes], message: bytes) -> None:
    assert process.stdin is not None  # noqa: S101 (it was asked for)
    process.stdin.write(message)
    process.stdin.flush()
