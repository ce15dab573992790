"""Paths as sources: a table of points run along at constant speed, one, the frames of a flip-book, or one a direction."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled
from instrument.engine.numeric.safe_math import clamp, wrap_turn
from instrument.engine.signal.along_table import between, follow_table
from instrument.engine.signal.directions import draw_directions
from instrument.engine.signal.frame_clock import turn_pages
from instrument.engine.signal.jump_profile import draw_eased


@compiled
def _follow_frames(pool, layer, position, page, shares, x, y, z, first, last):
    # A flip-book: every frame is a path of equally many points, and one runs into the next.
    points = layer.points
    end = points - 1.0
    last_frame = layer.frames - 1.0
    stride = np.uint64(points + 1)
    size = np.uint64(layer.axes) * stride
    solid = layer.axes > 2
    table = np.uint64(layer.path)
    for i in range(first, last):
        along = wrap_turn(position[i]) * points
        k = np.int64(clamp(along, 0.0, end))
        f = along - k
        number = np.int64(clamp(page[i], 0.0, last_frame))
        share = shares[i]
        here = table + np.uint64(number) * size + np.uint64(k)
        following = number + 1 if number + 1 < layer.frames else np.int64(0)
        there = table + np.uint64(following) * size + np.uint64(k)
        a = between(pool, here, f)
        x[i] = a + share * (between(pool, there, f) - a)
        a = between(pool, here + stride, f)
        y[i] = a + share * (between(pool, there + stride, f) - a)
        z[i] = 0.0
        if solid:
            a = between(pool, here + stride + stride, f)
            z[i] = a + share * (between(pool, there + stride + stride, f) - a)


@compiled
def draw_path(m, p, s, layer, first, last):
    """Fill x, y and z for samples first to last from the table of a path, of the frames of a flip-book, or of a direction."""
    row = p.layers[layer]
    x, y, z = m.scratch_x, m.scratch_y, m.scratch_z
    if row.views > 0:
        draw_directions(m, p, s, layer, first, last)
    elif row.jump_rows > 0:
        draw_eased(m, p, s, layer, first, last)
    elif row.frames > 1:
        turn_pages(m, p, s, layer, first, last)
        _follow_frames(m.pool, row, m.scratch_position, m.scratch_page, m.scratch_share, x, y, z, first, last)
    else:
        follow_table(m.pool, row.path, row.points, m.scratch_position, x, y, z, first, last)
