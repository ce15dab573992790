"""How the process of a show lives and ends: signals, and whose turn it is in Python."""

from __future__ import annotations

import gc
import signal
import sys
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

SWITCH_SECONDS = 0.0005
"""How soon a thread that computes lets the MIDI thread have Python's lock."""


@contextmanager
def ended_by_signals(over: threading.Event) -> Iterator[None]:
    """Let the signals that end a process end the show instead, which closes everything in its order."""
    # Only the main thread may choose what signals do; elsewhere somebody else has.
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    kinds = [signal.SIGINT, signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])]
    before = [signal.signal(kind, lambda *_: over.set()) for kind in kinds]
    try:
        yield
    finally:
        for kind, handler in zip(kinds, before, strict=True):
            signal.signal(kind, handler)


@contextmanager
def quiet_python() -> Iterator[None]:
    """Let threads that compute hold up those that wait as little as can be."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_SECONDS)
    try:
        yield
    finally:
        sys.setswitchinterval(before)
        gc.unfreeze()
