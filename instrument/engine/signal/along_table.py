"""A table of points run along at constant speed, which paths of every kind share."""

from __future__ import annotations

import numpy as np

from instrument.engine.compiling.compiled import compiled, inlined
from instrument.engine.numeric.safe_math import clamp, wrap_turn


@inlined
def between(pool, at, f):
    """Return the value between a table's entry and the next one."""
    a = pool[at]
    return a + f * (pool[at + np.uint64(1)] - a)


@compiled
def follow_table(pool, table, points, position, x, y, z, first, last):
    """Fill x, y and z for samples first to last from one table of points.

    In: positions in turns, any number. Tables of x, y and z follow one another; each repeats its first point, so that
    k + 1 always exists. Out: x, y and z. Never: an entry outside of the table.
    """
    end = points - 1.0
    stride = np.uint64(points + 1)
    table = np.uint64(table)
    for i in range(first, last):
        along = wrap_turn(position[i]) * points
        k = np.int64(clamp(along, 0.0, end))
        f = along - k
        at = table + np.uint64(k)
        x[i] = between(pool, at, f)
        y[i] = between(pool, at + stride, f)
        z[i] = between(pool, at + stride + stride, f)
