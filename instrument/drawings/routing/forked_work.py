"""Work that nothing can interrupt is done in forked children, which can be ended when time is up."""

from __future__ import annotations

import contextlib
import math
import mmap
import os
import select
import signal
import time
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Choice = NDArray[np.bool_]


def can_fork() -> bool:
    """Tell whether this system can."""
    return hasattr(os, "fork")


class Child:
    """A forked child that looks for a choice of edges and writes down the best one it has.

    The answer lies in memory that both processes share, twice: the child fills the copy that does not count yet and
    then says with one byte which one counts, so that whatever moment it is ended at, a whole answer is there.

    Parameters
    ----------
    first : ndarray of bool, shape (m,)
        What the answer is until the child has a better one.
    work : callable
        `work(publish)` runs in the child and calls `publish(choice)` with each better choice.
    """

    def __init__(self, first: Choice, work: Callable[[Callable[[Choice], None]], None]) -> None:
        self._count = len(first)
        self._shared = mmap.mmap(-1, 1 + 2 * max(self._count, 1))
        self._publish(first)
        reader, writer = os.pipe()
        self._pid = os.fork()
        if self._pid == 0:
            status = 1
            try:
                os.close(reader)
                work(self._publish)
                status = 0
            finally:
                # No clean-up of the parent's objects here: they belong to the parent. The pipe closes by itself,
                # which tells the parent that the work is over.
                os._exit(status)
        os.close(writer)
        self._reader = reader
        self._status: int | None = None

    def wait(self, deadline: float) -> bool:
        """Wait until the work is done, or until a moment of `time.monotonic`; tell whether it was done well."""
        if self._status is None:
            left = None if math.isinf(deadline) else max(0.0, deadline - time.monotonic())
            ready, _, _ = select.select([self._reader], [], [], left)
            if ready:
                self._gone()
        return self._status == 0

    def end(self) -> None:
        """End the child, if it is not over, and wait until it is gone."""
        if self._status is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._pid, signal.SIGKILL)
            self._gone()

    @property
    def best(self) -> Choice:
        """The best choice written down so far."""
        place = 1 + self._shared[0] * self._count
        return np.frombuffer(self._shared[place : place + self._count], bool).copy()

    def _publish(self, choice: Choice) -> None:
        other = 1 - self._shared[0]
        place = 1 + other * self._count
        self._shared[place : place + self._count] = choice.tobytes()
        self._shared[0] = other

    def _gone(self) -> None:
        os.close(self._reader)
        _, self._status = os.waitpid(self._pid, 0)
