"""The portrait of the factory set: the lighthouse keeper, lit from one side by his lamp; what shines is dark on white."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFilter

SIZE = 256

Floats = npt.NDArray[np.float64]

LAMP = (-0.62, 0.42, 0.66)
"""Direction of the light: from the left, a little above, towards the viewer."""

BUMPS = (
    # Middle x and y, half width, half height, how far it stands out; y upwards, the picture from -1 to 1.
    (0.0, -0.02, 0.50, 0.72, 0.62),  # head
    (0.0, -0.10, 0.10, 0.27, 0.34),  # bridge of the nose
    (0.0, -0.26, 0.135, 0.12, 0.34),  # its tip
    (-0.25, -0.16, 0.19, 0.15, 0.14),  # cheeks
    (0.25, -0.16, 0.19, 0.15, 0.14),
    (-0.21, 0.12, 0.21, 0.07, 0.13),  # brows
    (0.21, 0.12, 0.21, 0.07, 0.13),
    (-0.52, -0.08, 0.08, 0.17, 0.10),  # ears
    (0.52, -0.08, 0.08, 0.17, 0.10),
)
HOLLOWS = (
    (-0.20, 0.01, 0.15, 0.085, 0.16),  # eyes
    (0.20, 0.01, 0.15, 0.085, 0.16),
)


def keeper() -> Image.Image:
    """Return the picture [mode L]."""
    y, x = np.mgrid[1 : -1 : SIZE * 1j, -1 : 1 : SIZE * 1j]
    light = _face(x, y)
    for paint in (_eyes, _beard, _moustache, _cap, _coat):
        light = paint(x, y, light)
    picture = Image.fromarray(np.uint8(255 * np.clip(1.0 - light, 0, 1)))
    return picture.filter(ImageFilter.GaussianBlur(0.7))


def _shade(height: Floats, steep: float = 1.0) -> Floats:
    down, right = np.gradient(height, 2.0 / SIZE)
    normal = np.stack([-steep * right, steep * down, np.ones_like(height)])
    normal /= np.linalg.norm(normal, axis=0)
    lamp = np.array(LAMP) / np.linalg.norm(LAMP)
    return np.clip(np.tensordot(lamp, normal, 1), 0.0, 1.0)


def _bump(x: Floats, y: Floats, at: tuple[float, ...]) -> Floats:
    a, b, wide, high, out = at
    left = np.clip(1.0 - ((x - a) / wide) ** 2 - ((y - b) / high) ** 2, 0.0, 1.0)
    return np.asarray(out * (np.sqrt(left) if out > 0.5 else left**1.5))


def _face(x: Floats, y: Floats) -> Floats:
    height = np.sum([_bump(x, y, at) for at in BUMPS], axis=0) - np.sum([_bump(x, y, at) for at in HOLLOWS], axis=0)
    inside = (x / 0.50) ** 2 + ((y + 0.02) / 0.72) ** 2 < 1.0
    ear = _bump(x, y, BUMPS[-1]) + _bump(x, y, BUMPS[-2]) > 0
    light = 0.08 + 0.92 * _shade(height) ** 1.1
    # Furrows of the brow and lines at the eyes.
    for k in range(3):
        line = np.exp(-(((y - 0.24 - 0.055 * k - 0.05 * x**2) / 0.011) ** 2)) * (np.abs(x) < 0.30 - 0.03 * k)
        light *= 1.0 - 0.45 * line
    return np.where(inside | ear, light, 0.0)


def _eyes(x: Floats, y: Floats, light: Floats) -> Floats:
    for side in (-1, 1):
        u, v = (x - 0.20 * side) / 0.105, (y - 0.015) / 0.047
        lid = 1.0 - u**2 - np.where(v > 0, v * 0.9, v * 1.4) ** 2
        light = np.where(lid > 0, 0.95 if side < 0 else 0.6, light)
        iris = (x - 0.19 * side + 0.012) ** 2 + (y - 0.018) ** 2
        light = np.where((lid > 0) & (iris < 0.042**2), 0.02, light)
        light = np.where((lid > 0) & ((x - 0.19 * side + 0.03) ** 2 + (y - 0.034) ** 2 < 0.013**2), 1.0, light)
        light = np.where((np.abs(lid) < 0.22) & (v > -0.1), 0.02, light)
        brow = np.abs(y - 0.135 - 0.03 * np.cos(4 * (x - 0.2 * side))) < 0.032 * (1 - ((x - 0.21 * side) / 0.19) ** 2)
        light = np.where(brow, 0.9 if side < 0 else 0.45, light)
    return light


def _strands(x: Floats, y: Floats, bend: float) -> Floats:
    wave = np.sin(70 * (x + bend * x * y) + 5 * np.sin(9 * y + 4 * x))
    return np.asarray(0.5 + 0.5 * wave)


def _beard(x: Floats, y: Floats, light: Floats) -> Floats:
    outer = (x / 0.54) ** 2 + ((y + 0.34) / 0.60) ** 2 < 1.0
    below = y < -0.30 - 0.05 * np.cos(8 * x) + 0.75 * np.abs(x) ** 1.8
    lip = ((x / 0.15) ** 2 + ((y + 0.475) / 0.035) ** 2) < 1.0
    round_shade = _shade(_bump(x, y, (0.0, -0.40, 0.58, 0.62, 0.60)))
    hair = (0.10 + 0.9 * round_shade) * (0.35 + 0.65 * _strands(x, y, -0.8))
    light = np.where(outer & below, hair, light)
    return np.where(lip, 0.12, light)


def _moustache(x: Floats, y: Floats, light: Floats) -> Floats:
    side = np.abs(x)
    arch = np.abs(y + 0.40 + 0.55 * (side - 0.06) ** 2 + 0.10 * side) < 0.055 * np.clip(1.15 - side / 0.30, 0, 1)
    return np.where(arch, np.where(x < 0.02, 1.0, 0.55) * (0.6 + 0.4 * _strands(x * 1.3, y, 1.5)), light)


def _cap(x: Floats, y: Floats, light: Floats) -> Floats:
    crown = ((x / 0.60) ** 2 + ((y - 0.52) / 0.36) ** 2 < 1.0) & (y > 0.42)
    band = (np.abs(x) < 0.52 - 0.1 * (y - 0.3)) & (np.abs(y - 0.39 + 0.05 * x**2) < 0.065)
    peak = ((x / 0.50) ** 2 + ((y - 0.36) / 0.14) ** 2 < 1.0) & (y < 0.335 - 0.02 * x**2)
    cloth = 0.05 + 0.55 * _shade(_bump(x, y, (0.0, 0.45, 0.66, 0.46, 0.60)))
    light = np.where(crown, cloth, light)
    light = np.where(band, 0.03, light)
    light = np.where(peak, 0.06 + 0.6 * np.exp(-((x + 0.22) ** 2 + (y - 0.29) ** 2) / 0.006), light)
    # The badge is a small anchor in a ring.
    picture = Image.new("L", (SIZE, SIZE), 0)
    pen = ImageDraw.Draw(picture)
    unit, middle, top = SIZE / 2, SIZE / 2, SIZE / 2 * (1 - 0.43)
    pen.line([(middle, top - 0.10 * unit), (middle, top + 0.10 * unit)], fill=255, width=4)
    pen.line([(middle - 0.05 * unit, top - 0.05 * unit), (middle + 0.05 * unit, top - 0.05 * unit)], fill=255, width=3)
    pen.arc(
        [middle - 0.09 * unit, top - 0.08 * unit, middle + 0.09 * unit, top + 0.10 * unit], 20, 160, fill=255, width=4
    )
    return np.maximum(light, np.asarray(picture) / 255.0)


def _coat(x: Floats, y: Floats, light: Floats) -> Floats:
    shoulders = (y < -0.62 - 0.35 * np.abs(x) ** 2.2) & (light < 0.01)
    cloth = 0.04 + 0.34 * _shade(_bump(x, y, (0.0, -1.3, 1.15, 0.75, 0.60)))
    return np.where(shoulders, cloth, light)
