"""The window's own icon, for task bars and lists of windows: a rope knot as the beam would draw it."""

from __future__ import annotations

import numpy as np
import pygame

from instrument.window.theme import NIGHT

SIDE = 64
"""Pixels of a side: what task bars usually show, on desktops that are enlarged."""

_POINTS = 240
_LINE, _HALO = 0.022, 0.07
"""Half widths of the line and of the light around it, as shares of the side."""

_GROUND, _LIGHT = np.array(NIGHT.ground), np.array(NIGHT.light)
_CORNER = 0.22
"""Radius of the corners, as a share of the side."""


def icon(side: int = SIDE) -> pygame.Surface:
    """Return a square picture with transparent corners.

    Parameters
    ----------
    side : int
        Pixels, 16 or more.

    Returns
    -------
    pygame.Surface
        With 8 bits each of red, green, blue and alpha.
    """
    grid = (np.arange(side) + 0.5) / side - 0.5
    x, y = np.meshgrid(grid, grid, indexing="ij")
    turn = np.linspace(0.0, 2.0 * np.pi, _POINTS, endpoint=False)
    # A trefoil knot seen from above (Adams, The Knot Book, 1994: from memory), within the unit square.
    knot = np.stack([np.sin(turn) + 2 * np.sin(2 * turn), 2 * np.cos(2 * turn) - np.cos(turn)], axis=1) / 7.2
    nearest = np.full((side, side), np.inf)
    for px, py in knot:
        np.minimum(nearest, np.hypot(x - px, y - py), out=nearest)
    light = np.clip(np.exp(-((nearest / _LINE) ** 2)) + 0.35 * np.exp(-nearest / _HALO), 0.0, 1.0)
    beyond = np.hypot(*(np.maximum(np.abs(axis) - 0.5 + _CORNER, 0.0) for axis in (x, y))) - _CORNER
    picture = pygame.Surface((side, side), pygame.SRCALPHA, 32)
    pygame.surfarray.pixels3d(picture)[:] = _GROUND + light[..., None] * (_LIGHT - _GROUND)
    pygame.surfarray.pixels_alpha(picture)[:] = 255 * np.clip(0.5 - beyond * side, 0.0, 1.0)
    return picture
