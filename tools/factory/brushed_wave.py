"""The brush stroke of the factory set: a breaking wave in one sweep and two drops, black on white, as wide as the hand presses."""

from __future__ import annotations

import math

from PIL import Image, ImageDraw

WIDTH, HEIGHT = 320, 160


def wave() -> Image.Image:
    """Return the picture [mode L]."""
    picture = Image.new("L", (WIDTH, HEIGHT), 255)
    pen = ImageDraw.Draw(picture)
    for strokes in (_sweep(), _line(60, 132, 250, 6), _line(120, 148, 120, 4)):
        for x, y, radius in strokes:
            pen.ellipse([x - radius, y - radius, x + radius, y + radius], fill=0)
    return picture


def _sweep() -> list[tuple[float, float, float]]:
    # Up the back of the wave, over its crest and round into the curl.
    found = []
    for k in range(400):
        u = k / 399
        if u < 0.55:
            v = u / 0.55
            x, y = 12 + 190 * v, 118 - 88 * v**1.8 + 7 * math.sin(9 * v)
        else:
            v = (u - 0.55) / 0.45
            angle, radius = -math.pi / 2 + 1.6 * math.pi * v, 44 * (1 - 0.62 * v)
            x, y = 202 + 14 * v + radius * math.cos(angle), 74 + radius * math.sin(angle)
        found.append((x, y, 3.0 + 4.5 * math.sin(math.pi * u) ** 0.7))
    return found


def _line(left: float, y: float, length: float, lift: float) -> list[tuple[float, float, float]]:
    steps = range(int(length))
    return [(left + k, y + lift * math.sin(k / 16), 1.5 + 3 * math.sin(math.pi * k / length)) for k in steps]
