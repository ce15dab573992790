"""Paths that differ with the direction a model is seen from: which of them is drawn, by how the layer is turned."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.numeric.safe_math import clamp, sincos_turn
from instrument.engine.parameters import LAYER, LAYER_SIZE, offset_in
from instrument.engine.signal.along_table import follow_table
from instrument.engine.signal.jump_profile import ease_frame

_SIZE = offset_in(LAYER, "place.size")
_SCALE = offset_in(LAYER, "place.scale.x")
_MOVE = offset_in(LAYER, "place.move.x")
_CAMERA = offset_in(LAYER, "place.camera")

_LOOKED_AT = 16
"""Directions that are looked at for each sample, on average and at most: a pen whose rounds are shorter than the search is
long chooses only every few rounds."""


@inlined
def _turned_back(a, b, angle):
    sine, cosine = sincos_turn(angle)
    return a * cosine + b * sine, b * cosine - a * sine


@inlined
def _sign(value):
    return -1.0 if value < 0.0 else 1.0


@compiled
def nearest_direction(pool, table, count, x, y, z, otherwise):
    """Return which of the directions in a table of the pool points most nearly where (x, y, z) does.

    The first of equals; `otherwise` where that is no direction, as with nan.
    """
    best = -np.inf
    found = np.int64(otherwise)
    at = np.uint64(table)
    for k in range(count):
        likeness = pool[at] * x + pool[at + np.uint64(1)] * y + pool[at + np.uint64(2)] * z
        if likeness > best:
            best = likeness
            found = np.int64(k)
        at += np.uint64(3)
    return found


@compiled
def _choose(m, s, row, layer, i):
    # Where the eye is as the model sees it: through the layer's place backwards (place.run_place). Only its direction
    # counts, so that a scale is multiplied by, not divided, and a model pressed flat is seen from its flat side.
    base = layer * LAYER_SIZE
    near = 1.0 / s.rows[base + _CAMERA, i]
    x = -s.rows[base + _MOVE, i] * near
    y = -s.rows[base + _MOVE + 1, i] * near
    z = 1.0 - s.rows[base + _MOVE + 2, i] * near
    x, y = _turned_back(x, y, m.angles[layer, 2, i])
    z, x = _turned_back(z, x, m.angles[layer, 1, i])
    y, z = _turned_back(y, z, m.angles[layer, 0, i])
    a, b, c = s.rows[base + _SCALE, i], s.rows[base + _SCALE + 1, i], s.rows[base + _SCALE + 2, i]
    sign = _sign(a) * _sign(b) * _sign(c) * _sign(s.rows[base + _SIZE, i])
    before = max(s.side[layer] - 1, np.int64(0))
    return nearest_direction(
        m.pool, row.view_table, row.views, x * (b * c) * sign, y * (a * c) * sign, z * (a * b) * sign, before
    )


@compiled
def draw_directions(m, p, s, layer, first, last):
    """Fill x, y and z for samples first to last from the path of the direction that suits the layer's turn.

    It is chosen at the first sample and when a round of the pen begins, and kept until the next does.

    In: the pen's position and rounds, the layer's angles and the rows of its place.
    Out: x, y and z of the same samples; side, side_round and side_wait moved on.
    Never: a table beyond those of the layer, whatever was kept or dialled in.
    """
    row = p.layers[layer]
    size = np.int64(3) * (row.points + 1)
    rounds = m.scratch_rounds
    a = first
    while a < last:
        if s.side[layer] == 0 or rounds[a] != s.side_round[layer]:
            if s.side[layer] == 0 or s.side_wait[layer] <= 0:
                s.side[layer] = _choose(m, s, row, layer, a) + 1
                s.side_wait[layer] = row.views // _LOOKED_AT
            s.side_round[layer] = rounds[a]
        b = a + np.uint64(1)
        while b < last and rounds[b] == rounds[a]:
            b += np.uint64(1)
        k = np.int64(clamp(s.side[layer] - 1.0, 0.0, row.views - 1.0))
        if row.jump_rows > 0:
            ease_frame(m, row, k, a, b)
        else:
            table = row.path + k * size
            follow_table(m.pool, table, row.points, m.scratch_position, m.scratch_x, m.scratch_y, m.scratch_z, a, b)
        s.side_wait[layer] = max(s.side_wait[layer] - np.int64(b - a), np.int64(0))
        a = b
