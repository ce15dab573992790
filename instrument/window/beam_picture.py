"""The picture inside the window: its place, its look, its pixels, and how they reach the screen."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pygame

from instrument.beam.look import Look

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

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

    def follow(self, samples: npt.NDArray[np.float32], seconds: float, *, dark: bool = False) -> None:
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
