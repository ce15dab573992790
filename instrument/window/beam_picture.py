"""Frames of the picture: when each is due, which samples it shows, and the light they leave on the glass."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pygame

from instrument.beam.look import Look
from instrument.engine.memory.output_ring import OutputRing
from instrument.engine.memory.views import counters, frames_written

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

FRAMES_PER_SECOND = 60
FRAME = 1 / FRAMES_PER_SECOND
"""Seconds from one frame to the next."""


class FramePace:
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


_PULL = 0.2
"""Share of the distance to the wanted lag that each read makes up for."""

_LATE = 0.25
"""Seconds behind the wanted lag past which the reader jumps there at once."""


class OutputReader:
    """Reader of the engine's output ring.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]
        The engine's memory.
    rate : float
        Sample rate in hertz.

    Attributes
    ----------
    missed : int
        Frames that were overwritten before they were read.

    Notes
    -----
    The device asks for blocks of up to 2,048 frames, longer than a video frame. Read as they come,
    some video frames would get two blocks and some none, and the picture would flicker. So the
    reader stays one block behind and takes what the time that passed is worth.
    """

    def __init__(self, record: npt.NDArray[np.void], rate: float) -> None:
        self._record = record
        self._rate = rate
        self._ring = OutputRing(record)
        self._frames = int(record["ring_frames"])
        self._cursor = frames_written(record)
        self.missed = 0

    def read(self, seconds: float) -> npt.NDArray[np.float32]:
        """Return the frames that are due after `seconds` [shape=(n, 2)]; n may be 0."""
        written = self._ring.written()
        self._skip_overwritten(written)
        behind = written - self._cursor
        start = self._cursor
        self._cursor += self._due(behind, seconds)
        torn, taken = self._ring.take(start, self._cursor - start)
        self.missed += torn
        return taken

    def _due(self, behind: int, seconds: float) -> int:
        lag = min(int(counters(self._record)["largest_block"]), self._frames // 4)
        due = seconds * self._rate
        excess = behind - due - lag
        if excess > _LATE * self._rate:
            return behind - lag
        return min(max(round(due + _PULL * excess), 0), behind)

    def _skip_overwritten(self, written: int) -> None:
        lost = self._ring.oldest(written) - self._cursor
        if lost > 0:
            self.missed += lost
            self._cursor += lost


_MASKS = (0xFF0000, 0xFF00, 0xFF, 0)
"""Red, green, blue and no opacity, which is how the screen's light is written."""

SMALLEST = 16
"""Pixels; a window made smaller than this shows a part of the picture."""


class Picture:
    """A glass with light on it in the middle of the room it is given.

    Parameters
    ----------
    room : pygame.Rect
        Part of the window that is free for it.
    rate : float
        Sample rate in hertz.
    look : Look, optional
    """

    def __init__(self, room: pygame.Rect, rate: float, look: Look | None = None) -> None:
        look = look or Look()
        room = pygame.Rect(room.topleft, (max(room.width, SMALLEST), max(room.height, SMALLEST)))
        size = look.glass.size_in(*room.size)
        self.area = pygame.Rect((0, 0), size)
        self.area.center = room.center
        self.area.top = max(self.area.top, 0)
        self._rate = rate
        self._look = look
        self._path = look.reconstruction(rate)
        self._light = look.light(*size)
        # As the window has its pixels, so that they are copied and nothing is worked out.
        self._surface = pygame.Surface(size, 0, 32, _MASKS)
        pygame.surfarray.pixels2d(self._surface).T[:] = self._light.blank()

    def update(self, samples: npt.NDArray[np.float32], seconds: float, *, dark: bool = False) -> None:
        """Draw samples, or let the light fade for some seconds where there are none, or none are to be seen.

        Parameters
        ----------
        samples : np.ndarray [shape=(n, 2)]
            How long they took is known from their number, so a late frame loses no light.
        seconds : float
        dark : bool
            Whether there is a blackout, in which a resting beam shows nothing.
        """
        if len(samples) and not dark:
            self._light.advance(self._path.process(samples), self._rate * self._look.oversampling)
        else:
            self._light.rest(seconds)

    def draw_all(self, target: pygame.Surface) -> None:
        """Draw the whole picture."""
        self._develop()
        target.blit(self._surface, self.area)

    def draw_changes(self, target: pygame.Surface) -> pygame.Rect | None:
        """Draw what may have changed and return where that is in the window."""
        left, top, width, height = self._develop()
        if width == 0:
            return None
        target.blit(self._surface, (self.area.left + left, self.area.top + top), (left, top, width, height))
        return pygame.Rect(self.area.left + left, self.area.top + top, width, height)

    def _develop(self) -> tuple[int, int, int, int]:
        # The surface is locked for as long as there is such a view of it.
        return self._light.develop(pygame.surfarray.pixels2d(self._surface).T)
