"""The loops along a beam's path, compiled: where it dwells, and how long it rests.

`dwell` is their door and checks what comes in. Each is compiled from this file alone, so that the
compile cache, which looks at one file, is never stale.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

from instrument.common.compiled_loops import kernel

if TYPE_CHECKING:
    import numpy.typing as npt

Floats: TypeAlias = "npt.NDArray[Any]"

compiled = kernel()


@compiled
def spread(cells: Floats, path: Floats, last: Floats) -> None:
    """Add the time spent in each cell of the screen."""
    # In: points in full scale and the one before them. Out: cells [y, x], row 0 at the bottom; the last point.
    # Must never write outside the cells, whatever the points are: comparisons are false for nan.
    size = len(cells)
    half = 0.5 * size
    for i in range(len(path)):
        x1, y1 = path[i, 0], path[i, 1]
        x0, y0 = last[0], last[1]
        last[0], last[1] = x1, y1
        if not (abs(x1) <= 1.0 and abs(y1) <= 1.0):
            continue
        if not (abs(x0) <= 1.0 and abs(y0) <= 1.0):
            x0, y0 = x1, y1
        dx, dy = x1 - x0, y1 - y0
        steps = int(max(abs(dx), abs(dy)) * half) + 1
        share = 1.0 / steps
        for k in range(steps):
            part = (k + 0.5) * share
            column = min(int((x0 + part * dx + 1.0) * half), size - 1)
            row = min(int((y0 + part * dy + 1.0) * half), size - 1)
            cells[row, column] += share


@compiled
def rest(path: Floats, state: Floats, reach: float, least: int) -> None:
    """Add up the time that the beam rests."""
    # In: points; state of anchor x, y, samples near it, samples rested, longest rest. Out: the state.
    # Must count a stay of `least` samples from its first on, and nothing where the beam is nowhere.
    x, y, stayed, rested, longest = state[0], state[1], state[2], state[3], state[4]
    for i in range(len(path)):
        u, v = path[i, 0], path[i, 1]
        if abs(u - x) <= reach and abs(v - y) <= reach:
            stayed += 1.0
        else:
            x, y = u, v
            stayed = 1.0 if u == u and v == v else 0.0  # noqa: PLR0124 (the test for nan)
        if stayed == least:
            rested += stayed
        elif stayed > least:
            rested += 1.0
        if stayed >= least:
            longest = max(longest, stayed)
    state[0], state[1], state[2], state[3], state[4] = x, y, stayed, rested, longest
