"""A walk is cut at its jumps into pieces of line, which are put in the order that makes the jumps short."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.routing.closed_line import Kind, RouteOptions
from instrument.drawings.routing.jump_order import shorten_jumps

if TYPE_CHECKING:
    from numpy.typing import NDArray


def steps_of(
    points: NDArray[np.float64],
    edges: NDArray[np.int64],
    kinds: NDArray[np.uint8],
    halves: NDArray[np.int64],
    options: RouteOptions,
) -> tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.int64]]:
    """Give the steps of a walk, with the jumps made as short as time allows.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 3)
    edges : ndarray of int64, shape (m, 2)
    kinds : ndarray of uint8, shape (m,)
        The `Kind` of each edge.
    halves : ndarray of int64, shape (m,)
        The walk, as `euler_circuit` gives it.
    options : RouteOptions

    Returns
    -------
    walk : ndarray of int64, shape (k,)
        The vertex each step starts from.
    kinds : ndarray of uint8, shape (k,)
    edge : ndarray of int64, shape (k,)
        The edge each step runs over; -1 for a new jump.
    """
    ends = edges.ravel()
    is_jump = kinds[halves // 2] == Kind.JUMP
    if options.order == "drawn" or is_jump.sum() < 3:
        return ends[halves], kinds[halves // 2], halves // 2
    first = int(np.flatnonzero(is_jump)[0])
    halves, is_jump = np.roll(halves, -first), np.roll(is_jump, -first)
    # Pieces of line between the jumps; two jumps in a row leave an empty one, which draws nothing.
    pieces = [piece[1:] for piece in np.split(halves, np.flatnonzero(is_jump)[1:])]
    pieces = [piece for piece in pieces if len(piece)]
    deadline = time.monotonic() + options.tour_time
    pieces = _reordered(points, ends, pieces, deadline)
    pieces = _reordered(points, ends, _reentered(points, ends, pieces), deadline)
    walk: list[NDArray[np.int64]] = []
    edge: list[NDArray[np.int64]] = []
    for piece, following in zip(pieces, pieces[1:] + pieces[:1], strict=True):
        walk.append(ends[piece])
        edge.append(piece // 2)
        left = int(ends[piece[-1] ^ 1])
        if left != ends[following[0]]:
            walk.append(np.array([left]))
            edge.append(np.array([-1]))
    steps = np.concatenate(edge)
    return np.concatenate(walk), np.where(steps < 0, Kind.JUMP, kinds[steps]).astype(np.uint8), steps


def _reordered(
    points: NDArray[np.float64], ends: NDArray[np.int64], pieces: list[NDArray[np.int64]], deadline: float
) -> list[NDArray[np.int64]]:
    start = points[[ends[piece[0]] for piece in pieces]]
    stop = points[[ends[piece[-1] ^ 1] for piece in pieces]]
    order = shorten_jumps(start, stop, deadline)
    return [pieces[p][::-1] ^ 1 if backwards else pieces[p] for p, backwards in order]


def _reentered(
    points: NDArray[np.float64], ends: NDArray[np.int64], pieces: list[NDArray[np.int64]]
) -> list[NDArray[np.int64]]:
    """Enter each piece that closes on itself where the jumps to and from it are shortest."""
    pieces = list(pieces)
    for place, piece in enumerate(pieces):
        if ends[piece[0]] != ends[piece[-1] ^ 1]:
            continue
        before = points[ends[pieces[place - 1][-1] ^ 1]]
        after = points[ends[pieces[(place + 1) % len(pieces)][0]]]
        there = points[ends[piece]]
        way = np.linalg.norm(there - before, axis=1) + np.linalg.norm(there - after, axis=1)
        pieces[place] = np.roll(piece, -int(np.argmin(way)))
    return pieces
