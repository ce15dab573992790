"""The flip-book of the factory set: a heron in flight, sixteen closed outlines alike in their corners."""

from __future__ import annotations

import numpy as np

FRAMES = 16

Corner = tuple[float, float]

BREAST: tuple[Corner, ...] = ((14, 14), (-14, 20), (-38, 14), (-58, 2), (-70, -6), (-82, -6))
"""Belly to throat, from behind to the front, in a picture whose y grows downwards."""

HEAD: tuple[Corner, ...] = ((-118, -2), (-84, -14), (-74, -17), (-52, -17), (-44, -6))
"""Bill, crown, and the neck laid back upon the shoulders."""

LEGS: tuple[Corner, ...] = ((46, 4), (104, 12), (110, 8), (104, 14), (42, 8))
"""From the tail along the legs and back."""


def wing(phase: float, root: Corner, reach: float) -> list[Corner]:
    """Return a wing from its leading edge at the shoulder round the tip and back to the trailing edge.

    Parameters
    ----------
    phase : float
        Of the beat, in turns: 0 is highest.
    root : tuple of float
        Where the leading edge begins.
    reach : float
        Length, 1 for the near wing.
    """
    arm = 0.2 + 1.0 * np.cos(2 * np.pi * phase)  # of the inner half above the level, in radians
    hand = arm + 0.75 * np.sin(2 * np.pi * phase) - 0.25  # the outer half follows late
    wrist = (root[0] - 8, root[1] - 62 * reach * np.sin(arm))
    wrist = (wrist[0] + 18 * (1 - np.cos(arm)), wrist[1])
    tip = (wrist[0] + 34, wrist[1] - 66 * reach * np.sin(hand))
    back = (root[0] + 44, root[1] + 4)
    elbow = (wrist[0] + 46, 0.55 * wrist[1] + 0.45 * back[1])
    fingers = (tip[0] + 12, 0.72 * tip[1] + 0.28 * elbow[1])
    return [root, wrist, tip, fingers, elbow, back]


def outline(phase: float) -> list[Corner]:
    """Return the corners of one frame, as many in each and in the same order."""
    lift = 7 * np.sin(2 * np.pi * phase)  # the body rises while the wings come down
    near = wing(phase, (-34, -10), 1.0)
    far = wing(phase + 0.02, (-46, -8), 0.8)
    corners = [*HEAD, *far[:3], *far[3:4], (-30, -12), *near, (30, -4), *LEGS, *BREAST]
    return [(x, y + lift) for x, y in corners]


def frame(number: int) -> str:
    """Return one frame as SVG; they are counted from 1."""
    corners = outline((number - 1) / FRAMES)
    path = " L ".join(f"{x:.1f} {y:.1f}" for x, y in corners)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f"<!-- A heron in flight, {number} of {FRAMES}; made by tools/factory/make_drawings.py. -->\n"
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="-130 -130 260 260" fill="none" stroke="black">\n'
        f'  <path d="M {path} Z"/>\n'
        "</svg>\n"
    )
