"""Real-time priority for threads that others wait for, where the system grants it."""

from __future__ import annotations

import os
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

POLLING = 20
"""For the thread that polls MIDI: above every ordinary program, below audio threads (usually 60 to 80)."""

TENDING = 10
"""For threads that share Python's lock with it. While an ordinary program keeps one of them from running, the lock
is not let go of, and the polling thread waits as long as if it had no priority at all."""


def raise_priority(priority: int) -> bool:
    """Ask for a real-time priority for the calling thread; return whether the system granted it.

    Processes that the thread starts run at their usual priority.
    """
    if not hasattr(os, "sched_setscheduler"):
        return False
    try:
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
