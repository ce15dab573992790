"""System libraries that write to standard error by themselves, silenced while they look for devices."""

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
_original = -1
"""Number of silences under way, and the original standard error: of threads that overlap only the first may save it."""


@contextmanager
def quiet_libraries() -> Iterator[None]:
    """Discard what C libraries write to standard error meanwhile.

    ALSA and JACK report every device and server that is not there. What matters of it comes back as an error that
    is shown in one sentence.
    """
    _enter()
    try:
        yield
    finally:
        _leave()


def _enter() -> None:
    global _depth, _original  # noqa: PLW0603 - standard error is one for the whole process
    with _lock:
        if _depth == 0:
            _original = _silence()
        _depth += 1


def _leave() -> None:
    global _depth  # noqa: PLW0603 - as above
    with _lock:
        _depth -= 1
        if _depth == 0 and _original >= 0:
            os.dup2(_original, 2)
            os.close(_original)


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
