"""The loops behind `light`, compiled: fading, depositing along a path, and developing into pixels.

`light.Light` is their one door and checks what comes in. Each is compiled from this file alone, so
that the compile cache, which looks at one file, is never stale.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import numpy.typing as npt
from numba import njit

if TYPE_CHECKING:
    from collections.abc import Callable

Floats: TypeAlias = npt.NDArray[np.float32]
Whole: TypeAlias = npt.NDArray[np.int64]

FAR = 2.0
"""Past this value the spot is off the glass: nothing is drawn on the way there or back."""

compiled: Callable[[Callable[..., Any]], Any] = njit(nogil=True, cache=True, error_model="numpy")


@compiled
def fade_out(field: Floats, first: Whole, last: Whole, factor: np.float32, dark: np.float32) -> None:
    """Fade what is lit."""
    # In: the field and the lit span of each row. Out: both after fading, with what is too dark to see cut off.
    # Must never leave subnormal numbers behind, nor touch a pixel outside the spans.
    for y in range(len(first)):
        a, b = first[y], last[y]
        if b < a:
            continue
        row = field[y]
        for x in range(a, b + 1):
            value = row[x] * factor
            row[x] = value if value > dark else np.float32(0.0)
        while a <= b and row[a] == 0.0:
            a += 1
        while b >= a and row[b] == 0.0:
            b -= 1
        if b < a:
            a, b = len(first), -1
        first[y], last[y] = a, b


@compiled
def deposit(
    field: Floats,
    first: Whole,
    last: Whole,
    path: Floats,
    at: npt.NDArray[np.float64],
    energy: float,
    growth: float,
    stride: float,
    scale: float,
    middle: float,
) -> None:
    """Add the light of a path."""
    # In: samples and the point before them; energy of the first, grown for each one after. Out: field, spans, point.
    # Must never write outside the field, whatever the samples are: comparisons are false for nan.
    end = len(first) - 1
    for i in range(len(path)):
        x1, y1 = np.float64(path[i, 0]), np.float64(path[i, 1])
        x0, y0 = at[0], at[1]
        if not (abs(x0) <= FAR and abs(y0) <= FAR):
            x0, y0 = x1, y1  # the first point after a gap stands by itself
        if abs(x1) <= FAR and abs(y1) <= FAR:
            dx, dy = (x1 - x0) * scale, (y0 - y1) * scale
            steps = int(math.sqrt(dx * dx + dy * dy) / stride) + 1
            share = energy / steps
            px, py = middle + x0 * scale, middle - y0 * scale
            for k in range(steps):
                part = (k + 0.5) / steps
                x, y = px + part * dx, py + part * dy
                if not (0.0 <= x < end and 0.0 <= y < end):
                    continue
                column, line = int(x), int(y)
                u, v = x - column, y - line
                field[line, column] += np.float32(share * (1.0 - u) * (1.0 - v))
                field[line, column + 1] += np.float32(share * u * (1.0 - v))
                field[line + 1, column] += np.float32(share * (1.0 - u) * v)
                field[line + 1, column + 1] += np.float32(share * u * v)
                first[line] = min(first[line], column)
                last[line] = max(last[line], column + 1)
                first[line + 1] = min(first[line + 1], column)
                last[line + 1] = max(last[line + 1], column + 1)
        at[0], at[1] = x1, y1
        energy *= growth


@compiled
def lit_box(first: Whole, last: Whole, pad: int, size: int, reach: int) -> tuple[int, int, int, int]:
    """Return the box of pixels that are lit."""
    # In: lit spans of the field. Out: left, top, right, bottom of the pixels they light, empty if none.
    # Must never name a pixel outside the picture.
    left, top, right, bottom = size, size, 0, 0
    for y in range(len(first)):
        if last[y] >= first[y]:
            left = min(left, first[y] - pad - reach)
            right = max(right, last[y] - pad + reach + 1)
            top = min(top, y - pad - reach)
            bottom = max(bottom, y - pad + reach + 1)
    return max(left, 0), max(top, 0), min(right, size), min(bottom, size)


@compiled
def develop(
    field: Floats,
    first: Whole,
    last: Whole,
    taps: Floats,
    pad: int,
    gain: np.float32,
    colour: Floats,
    box: Whole,
    pixels: npt.NDArray[np.uint32],
) -> None:
    """Turn a box of the field into pixels."""
    # In: the field and a box of pixels. Out: those pixels, the field seen through the spot and the tone curve.
    # Must never read outside the field: the margin around it is wider than the spot reaches.
    reach = len(taps) // 2
    one, full = np.float32(1.0), np.float32(255.0)
    black = np.uint32(0xFF000000)
    red, green, blue = gain * colour[0], gain * colour[1], gain * colour[2]
    left, top, right, bottom = box[0], box[1], box[2], box[3]
    column = np.zeros(field.shape[1], np.float32)
    value = np.zeros(field.shape[1], np.float32)
    for y in range(top, bottom):
        a, b = right, left
        for k in range(-reach, reach + 1):
            a = min(a, first[y + pad + k] - pad - reach)
            b = max(b, last[y + pad + k] - pad + reach + 1)
        a, b = min(max(a, left), right), max(min(b, right), left)
        row = pixels[y]
        if b <= a:
            row[left:right] = black
            continue
        row[left:a] = black
        row[b:right] = black
        start = a + pad - reach
        width = b - a
        column[: width + 2 * reach] = 0.0
        for k in range(2 * reach + 1):
            weight, source = taps[k], field[y + pad - reach + k, start : start + width + 2 * reach]
            for x in range(len(source)):
                column[x] += weight * source[x]
        value[:width] = 0.0
        for k in range(2 * reach + 1):
            weight, shifted = taps[k], column[k : k + width]
            for x in range(len(shifted)):
                value[x] += weight * shifted[x]
        span = row[a:b]
        for x in range(len(span)):
            r, g, b_ = red * value[x], green * value[x], blue * value[x]
            r8 = np.uint32(np.int32(full * np.sqrt(r / (one + r)) + np.float32(0.5)))
            g8 = np.uint32(np.int32(full * np.sqrt(g / (one + g)) + np.float32(0.5)))
            b8 = np.uint32(np.int32(full * np.sqrt(b_ / (one + b_)) + np.float32(0.5)))
            span[x] = black | r8 << np.uint32(16) | g8 << np.uint32(8) | b8
