"""Hidden lines: the pieces of segments that no triangle covers, by exact cuts in the plane of the picture."""

from __future__ import annotations

import numpy as np

from instrument.common.compiled_loops import kernel, kernel_part

# Every segment is cut at the borders of every triangle that may cover it (A. Appel, 1967, and L. Roberts, 1963, from
# memory); a grid over the picture finds these triangles, so the work grows with the number of segments, not with its
# product with that of triangles. Cuts are as exact as float64; no buffer of depths has a resolution to choose.

_MOST_CUTS = 64
"""Hidden stretches of one segment that are told apart; beyond it, the nearest to a new one is lengthened."""


@kernel_part()
def _clipped(low, high, at_begin, at_end, least):
    # Where a quantity that changes evenly along the segment is above `least`, within what is left of it.
    begin, end = at_begin - least, at_end - least
    if begin <= 0.0 and end <= 0.0:
        return 1.0, 0.0
    if begin < 0.0 or end < 0.0:
        at = begin / (begin - end)
        if begin < 0.0:
            low = max(low, at)
        else:
            high = min(high, at)
    return low, high


@kernel_part()
def _covered(ax, ay, az, bx, by, bz, t, least):
    # First and last place along a segment between which a triangle lies in front of it; the first is larger where none.
    if max(t[0, 2], t[1, 2], t[2, 2]) < min(az, bz):
        return 1.0, 0.0
    x0, y0, z0 = t[0, 0], t[0, 1], t[0, 2]
    ux, uy, uz = t[1, 0] - x0, t[1, 1] - y0, t[1, 2] - z0
    vx, vy, vz = t[2, 0] - x0, t[2, 1] - y0, t[2, 2] - z0
    area = ux * vy - vx * uy
    if abs(area) < 1e-13:
        return 1.0, 0.0
    dx, dy, ex, ey = ax - x0, ay - y0, bx - x0, by - y0
    u0, v0 = (dx * vy - vx * dy) / area, (ux * dy - dx * uy) / area
    u1, v1 = (ex * vy - vx * ey) / area, (ux * ey - ex * uy) / area
    # With a margin, so that nothing is seen through the seam of two triangles.
    low, high = _clipped(0.0, 1.0, u0, u1, -1e-9)
    if low < high:
        low, high = _clipped(low, high, v0, v1, -1e-9)
    if low < high:
        low, high = _clipped(low, high, 1.0 - u0 - v0, 1.0 - u1 - v1, -1e-9)
    if low < high:
        low, high = _clipped(low, high, z0 + u0 * uz + v0 * vz - az, z0 + u1 * uz + v1 * vz - bz, least)
    return low, high


@kernel_part()
def _hide(cuts, count, low, high):
    # Joins a stretch to the sorted hidden ones.
    first = 0
    while first < count and cuts[first, 1] < low:
        first += 1
    last = first
    while last < count and cuts[last, 0] <= high:
        low = min(low, cuts[last, 0])
        high = max(high, cuts[last, 1])
        last += 1
    if last == first:
        if count == cuts.shape[0]:
            near = min(first, count - 1)
            cuts[near, 0] = min(cuts[near, 0], low)
            cuts[near, 1] = max(cuts[near, 1], high)
            return count
        for k in range(count, first, -1):
            cuts[k, 0] = cuts[k - 1, 0]
            cuts[k, 1] = cuts[k - 1, 1]
        count += 1
    else:
        gone = last - first - 1
        for k in range(last, count):
            cuts[k - gone, 0] = cuts[k, 0]
            cuts[k - gone, 1] = cuts[k, 1]
        count -= gone
    cuts[first, 0] = low
    cuts[first, 1] = high
    return count


@kernel_part()
def _belongs(triangles, number, owner, other, around):
    # Whether a triangle is one that the segment lies on, or next to it where those do not count either.
    if number in (owner, other):
        return True
    if around == 1:
        for i in range(3):
            for j in range(3):
                if triangles[number, i] == triangles[owner, j]:
                    return True
    return False


@kernel_part()
def _cell(place, low, width, side, margin):
    return min(max(int((place - low) / width + margin), 0), side - 1)


@kernel_part()
def _cells_of_row(ax, ay, bx, by, j, low, width, side):
    # First and last cell that a segment touches in a row of cells, with a margin.
    p, q = 0.0, 1.0
    if by != ay:
        p = (low[1] + (j - 1e-3) * width - ay) / (by - ay)
        q = (low[1] + (j + 1 + 1e-3) * width - ay) / (by - ay)
        p, q = max(min(p, q), 0.0), min(max(p, q), 1.0)
    # Beyond the grid's first and last row nothing lies, but a segment may.
    if q < p:
        p, q = 0.0, 1.0
    x0, x1 = ax + p * (bx - ax), ax + q * (bx - ax)
    return _cell(min(x0, x1), low[0], width, side, -1e-3), _cell(max(x0, x1), low[0], width, side, 1e-3)


@kernel()
def fill_grid(corners, low, width, side):
    """List for each cell of a grid the triangles whose box touches it.

    In: corners (t, 3, 3) in the plane of the picture with depth; lowest x and y, width of a cell, cells along a side.
    Out: first entry of each cell (side * side + 1), and the triangles, cell after cell. Never: a cell outside.
    """
    count = np.zeros(side * side + 1, np.int64)
    box = np.empty((corners.shape[0], 4), np.int64)
    for t in range(corners.shape[0]):
        for axis in range(2):
            least = min(corners[t, 0, axis], corners[t, 1, axis], corners[t, 2, axis])
            most = max(corners[t, 0, axis], corners[t, 1, axis], corners[t, 2, axis])
            box[t, axis] = _cell(least, low[axis], width, side, -1e-6)
            box[t, axis + 2] = _cell(most, low[axis], width, side, 1e-6)
        for j in range(box[t, 1], box[t, 3] + 1):
            for i in range(box[t, 0], box[t, 2] + 1):
                count[j * side + i + 1] += 1
    for k in range(side * side):
        count[k + 1] += count[k]
    at = count[:-1].copy()
    found = np.empty(count[side * side], np.int64)
    for t in range(corners.shape[0]):
        for j in range(box[t, 1], box[t, 3] + 1):
            for i in range(box[t, 0], box[t, 2] + 1):
                found[at[j * side + i]] = t
                at[j * side + i] += 1
    return count, found


@kernel()
def seen_pieces(begin, end, owners, around, margin, corners, numbers, triangles, first, listed, low, width, side):
    """Find the pieces of segments that no triangle covers.

    In: ends of segments (s, 3) in the plane of the picture, z towards the eye; triangles that each lies on (s, 2),
    which do not cover it, nor do their neighbours where `around` is 1; by how much what covers must be nearer (s,);
    corners (t, 3, 3) of what may cover, their numbers among all triangles (t,), points of all triangles (n, 3); the grid.
    Out: segment, first and last place (0 to 1) of each piece, in order. Never: an answer that depends on the grid.
    """
    room = 4 * begin.shape[0] + 16
    segment = np.empty(room, np.int64)
    places = np.empty((room, 2))
    pieces = 0
    asked = np.full(corners.shape[0], -1, np.int64)
    cuts = np.empty((_MOST_CUTS, 2))
    for s in range(begin.shape[0]):
        ax, ay, az = begin[s, 0], begin[s, 1], begin[s, 2]
        bx, by, bz = end[s, 0], end[s, 1], end[s, 2]
        count = 0
        for j in range(
            _cell(min(ay, by), low[1], width, side, -1e-6), _cell(max(ay, by), low[1], width, side, 1e-6) + 1
        ):
            i0, i1 = _cells_of_row(ax, ay, bx, by, j, low, width, side)
            for i in range(i0, i1 + 1):
                cell = j * side + i
                for k in range(first[cell], first[cell + 1]):
                    t = listed[k]
                    if asked[t] == s:
                        continue
                    asked[t] = s
                    owner = owners[s, 0]
                    if _belongs(triangles, numbers[t], owner, owners[s, 1], around[s]):
                        continue
                    here, there = _covered(ax, ay, az, bx, by, bz, corners[t], margin[s])
                    if here < there:
                        count = _hide(cuts, count, here, there)
        at = 0.0
        for k in range(count + 1):
            stop = cuts[k, 0] if k < count else 1.0
            if stop > at:
                if pieces == segment.shape[0]:
                    more = np.empty(2 * pieces, np.int64)
                    more[:pieces] = segment
                    segment = more
                    wider = np.empty((2 * pieces, 2))
                    wider[:pieces] = places
                    places = wider
                segment[pieces] = s
                places[pieces, 0] = at
                places[pieces, 1] = stop
                pieces += 1
            if k < count:
                at = cuts[k, 1]
    return segment[:pieces], places[:pieces]
