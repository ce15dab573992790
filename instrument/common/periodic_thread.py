"""Threads that do one thing again and again, and the real-time priority of those that others wait for."""

from __future__ import annotations

import os
import threading
import time
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

POLLING = 20
"""Priority of the thread that polls MIDI: above every ordinary program, below audio threads (usually 60 to 80)."""

TENDING = 10
"""Priority of threads that share Python's lock with it. While an ordinary program keeps one of them from running, the lock
is not let go of, and the polling thread waits as long as if it had no priority at all."""

END_SECONDS = 5.0
"""Time that the end of a show gives one of these threads; one that a driver does not let go of is left behind."""

SHORT_SECONDS = 0.001
"""Pause up to which a thread sleeps without listening for its end: an event that is waited for costs more than such a sleep."""


def raise_priority(priority: int) -> bool:
    """Ask for a real-time priority for the calling thread; return whether the system granted it.

    Processes that the thread starts run at their usual priority.

    Parameters
    ----------
    priority : int
        For the first-in, first-out policy of POSIX.1-2017 (2.8.4, Process Scheduling), 1 to 99 on Linux.
    """
    if not hasattr(os, "sched_setscheduler"):
        return False
    try:
        # With reset on fork no child process competes with audio threads (sched(7), Linux man-pages).
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(priority))
    except OSError:
        return False
    return True


@contextmanager
def raised_priority(priority: int) -> Iterator[bool]:
    """Ask for a real-time priority for the calling thread and go back afterwards; yield whether it was granted."""
    if not hasattr(os, "sched_setscheduler"):
        yield False
        return
    before = os.sched_getscheduler(0), os.sched_getparam(0)
    try:
        yield raise_priority(priority)
    finally:
        with suppress(OSError):
            os.sched_setscheduler(0, *before)


class PeriodicThread:
    """Calls a function in a thread of its own until it is closed or the function has no more to do.

    Parameters
    ----------
    name : str
        Of the thread.
    step : callable
        Does one pass and returns the seconds to pause before the next, or None for an end.
    priority : int
        Real-time priority that is asked for, `POLLING` or `TENDING`.

    Attributes
    ----------
    realtime : bool
        Whether the system granted that priority.
    """

    def __init__(self, name: str, step: Callable[[], float | None], priority: int) -> None:
        self._step = step
        self._priority = priority
        self._passes = 0
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self.realtime = False

    def start(self) -> None:
        """Begin with the first pass."""
        self._thread.start()

    def close(self) -> None:
        """Begin no other pass; returns when the one under way is over, or after `END_SECONDS`."""
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(END_SECONDS)

    def wait_for_pass(self, within: float) -> None:
        """Wait until a pass that began after this call is over, so that nothing from before it is in use.

        Parameters
        ----------
        within : float
            Seconds to wait at most.
        """
        passes = self._passes
        deadline = time.monotonic() + within
        # The pass under way may have read what was changed before this call; the one after it has not.
        while self._thread.is_alive() and self._passes < passes + 2 and time.monotonic() < deadline:
            time.sleep(SHORT_SECONDS / 4)

    def _run(self) -> None:
        self.realtime = raise_priority(self._priority)
        # Looked up once: the thread that polls MIDI makes some three thousand passes a second.
        step, sleep, is_ending, wait = self._step, time.sleep, self._ending.is_set, self._ending.wait
        while not is_ending():
            pause = step()
            self._passes += 1
            if pause is None:
                return
            if pause <= SHORT_SECONDS:
                sleep(pause)
            else:
                wait(pause)
