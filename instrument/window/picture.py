"""The square picture inside the window: its place, its pixels, and how they reach the screen."""

from __future__ import annotations

import pygame

from instrument.beam.light import Light, blank

SMALLEST = 16
"""Pixels; a window made smaller than this shows a part of the picture."""


class Picture:
    """A square of light in the middle of the room it is given.

    Parameters
    ----------
    room : pygame.Rect
        Part of the window that is free for it.
    """

    def __init__(self, room: pygame.Rect) -> None:
        side = max(min(room.size), SMALLEST)
        self.area = pygame.Rect(0, 0, side, side)
        self.area.center = room.center
        self.area.top = max(self.area.top, 0)
        self.light = Light(side)
        self._pixels = blank(side)
        # The surface shows these very pixels: blue, green, red, unused, as little-endian memory has them.
        self._surface = pygame.image.frombuffer(self._pixels.data, (side, side), "BGRA")
        self._surface.set_alpha(None)

    def draw_all(self, target: pygame.Surface) -> None:
        """Draw the whole square."""
        self.light.develop(self._pixels)
        target.blit(self._surface, self.area)

    def draw_changes(self, target: pygame.Surface) -> pygame.Rect | None:
        """Draw what may have changed and return where that is in the window."""
        left, top, width, height = self.light.develop(self._pixels)
        if width == 0:
            return None
        target.blit(self._surface, (self.area.left + left, self.area.top + top), (left, top, width, height))
        return pygame.Rect(self.area.left + left, self.area.top + top, width, height)
