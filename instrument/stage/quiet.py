"""System libraries that write to standard error by themselves, kept quiet while they look around."""

from __future__ import annotations

import os
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def quiet_libraries() -> Iterator[None]:
    """Send what C libraries write to standard error into nothing meanwhile.

    ALSA and JACK report every device and server that is not there. What matters of it comes back as an error that
    is shown in one sentence.
    """
    try:
        kept = os.dup(2)
    except OSError:
        yield
        return
    try:
        sys.stderr.flush()
        with open(os.devnull, "wb") as nothing:  # noqa: PTH123 - a device, not a path
            os.dup2(nothing.fileno(), 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
