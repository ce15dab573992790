"""System libraries that write to standard error by themselves, kept quiet while they look around."""

from __future__ import annotations

import os
import sys
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

_lock = threading.Lock()
_depth = 0
_kept = -1
"""Who is quiet at the moment, and where standard error goes otherwise: threads that overlap must not keep nothing."""


@contextmanager
def quiet_libraries() -> Iterator[None]:
    """Send what C libraries write to standard error into nothing meanwhile.

    ALSA and JACK report every device and server that is not there. What matters of it comes back as an error that
    is shown in one sentence.
    """
    _enter()
    try:
        yield
    finally:
        _leave()


def _enter() -> None:
    global _depth, _kept  # noqa: PLW0603 - standard error is one for the whole process
    with _lock:
        if _depth == 0:
            _kept = _silence()
        _depth += 1


def _leave() -> None:
    global _depth  # noqa: PLW0603 - as above
    with _lock:
        _depth -= 1
        if _depth == 0 and _kept >= 0:
            os.dup2(_kept, 2)
            os.close(_kept)


def _silence() -> int:
    # Where standard error went, or -1 for a process that has none.
    try:
        kept = os.dup(2)
    except OSError:
        return -1
    sys.stderr.flush()
    with open(os.devnull, "wb") as nothing:  # noqa: PTH123 - a device, not a path
        os.dup2(nothing.fileno(), 2)
    return kept
