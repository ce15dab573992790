"""Small pictures of patches, as files that the stage names, made as small as the page has room for."""

from __future__ import annotations

from pathlib import Path

import pygame

_KEPT = 200


class Thumbs:
    """Pictures for the set list, kept as they are drawn."""

    def __init__(self) -> None:
        self._surfaces: dict[tuple[str, int], pygame.Surface] = {}

    def surface(self, file: str, side: int) -> pygame.Surface | None:
        """Return a picture for the screen, or None if there is none that can be read."""
        if not file or side < 1:
            return None
        found = self._surfaces.get((file, side))
        if found is None and Path(file).exists():
            try:
                loaded = pygame.image.load(file)
            except (OSError, pygame.error):
                return None
            if len(self._surfaces) >= _KEPT:
                self._surfaces.clear()
            found = self._surfaces[file, side] = pygame.transform.smoothscale(loaded.convert(), (side, side))
        return found
