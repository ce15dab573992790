"""When frames are due: on an even grid, to which a late one comes back at once."""

from __future__ import annotations

import time

FRAMES_PER_SECOND = 60
FRAME = 1 / FRAMES_PER_SECOND
"""Seconds from one frame to the next."""


class Pace:
    """The grid of frames, from now on.

    Attributes
    ----------
    left_out : int
        Frames whose time was over before they could begin. Nothing is drawn for them, and what they would have shown
        comes with the next one.
    """

    def __init__(self) -> None:
        self._due = time.monotonic()
        self.left_out = 0

    def wait(self) -> float:
        """Wait until the next frame is due and return the time, of a monotonic clock in seconds.

        One that is late begins at once, and the one after it is due when it would have been. So a frame that took
        long costs no other its place, unless it took theirs.
        """
        self._due += FRAME
        now = time.monotonic()
        if now < self._due:
            time.sleep(self._due - now)
            return time.monotonic()
        over = int((now - self._due) / FRAME)
        self.left_out += over
        self._due += over * FRAME
        return now
