"""The least repetition that lets a line close: a minimum-weight T-join, solved exactly by sparse blossom."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import math
import os
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from instrument.shapes.windows import half_nearest_bound, improve_in_windows, tree_join

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

# pymatching puts weights on an integer grid of 2**24 steps up to the largest (`num_distinct_weights` in its
# Matching.decode documentation says how it rounds; the number of steps is from its source, user_graph.h).
GRID_STEPS = 2**24
# Below this many edges the exact answer takes at most a few seconds, whatever the graph; measured.
SURE_EDGES = 40_000
# Edges in a window of the fallback; measured: within 0.1 percent of the minimum after a few passes.
WINDOW_EDGES = 5_000


@dataclass(frozen=True)
class TJoin:
    """The edges to run again, and what is proven about them.

    Attributes
    ----------
    chosen : ndarray of bool, shape (m,)
        Edges of the T-join: with each of them doubled, no vertex is odd.
    weight : float
        Their summed weight.
    bound : float
        No T-join weighs less than this (to within the grid that the matching rounds to, `slack`).
    slack : float
        The most that rounding can hide.
    exact : bool
        Whether `weight` is the minimum; otherwise it lies between `bound` and `weight`.
    """

    chosen: NDArray[np.bool_]
    weight: float
    bound: float
    slack: float
    exact: bool


def minimum_t_join(
    edges: NDArray[np.int64],
    weights: NDArray[np.float64],
    odd: NDArray[np.bool_],
    time_limit: float = math.inf,
) -> TJoin:
    """Choose edges of the least total weight so that exactly the `odd` vertices have an odd number of them.

    Parameters
    ----------
    edges : ndarray of int64, shape (m, 2)
        Parallel edges and loops are allowed.
    weights : ndarray of float64, shape (m,)
        Not negative, finite.
    odd : ndarray of bool, shape (n,)
        An even number of them in each connected component.
    time_limit : float
        Seconds. When the exact answer takes longer, a tree's T-join improved piece by piece is given, together
        with a proven bound.

    Returns
    -------
    TJoin

    Notes
    -----
    J. Edmonds and E. L. Johnson, Matching, Euler tours and the Chinese postman, Mathematical Programming 5
    (1973), pages 88 to 124. The solver: O. Higgott and C. Gidney, Sparse Blossom, Quantum 9 (2025), 1600: each
    edge is an error mechanism, the odd vertices are the syndrome, the decoded edges are the T-join.

    Examples
    --------
    >>> square = np.array([[0, 1], [1, 2], [2, 3], [3, 0], [0, 2]])
    >>> minimum_t_join(square, np.ones(5), np.array([True, False, True, False])).chosen.tolist()
    [False, False, False, False, True]
    """
    count = len(edges)
    if not odd.any():
        return TJoin(np.zeros(count, bool), 0.0, 0.0, 0.0, exact=True)
    kept = _cheapest_parallel(edges, weights)
    vertices, compact = np.unique(edges[kept], return_inverse=True)
    compact = compact.reshape(-1, 2)
    parity = odd[vertices]
    within, exact = _solve(compact, weights[kept], parity, time_limit)
    chosen = np.zeros(count, bool)
    chosen[kept[within]] = True
    weight = float(weights[chosen].sum())
    slack = float(weights[kept].max()) / GRID_STEPS * max(int(within.sum()), 1)
    bound = weight if exact else min(weight, half_nearest_bound(compact, weights[kept], parity))
    return TJoin(chosen, weight, bound, slack, exact)


def decode(
    edges: NDArray[np.int64], weights: NDArray[np.float64], parity: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Solve exactly with no limit: edges without parallels, vertices numbered without gaps.

    Returns
    -------
    ndarray of bool, shape (m,)
    """
    import pymatching
    from scipy import sparse

    columns = np.repeat(np.arange(len(edges)), 2)
    entries = (np.ones(len(columns), np.uint8), (edges.ravel(), columns))
    check = sparse.csc_matrix(entries, shape=(len(parity), len(edges)))
    matching = pymatching.Matching.from_check_matrix(check, weights=weights)
    return np.asarray(matching.decode(parity.astype(np.uint8)), bool)


def _cheapest_parallel(edges: NDArray[np.int64], weights: NDArray[np.float64]) -> NDArray[np.int64]:
    """Rows of the cheapest edge between each two vertices; loops never help."""
    low, high = edges.min(axis=1), edges.max(axis=1)
    order = np.lexsort((weights, high, low))
    low, high = low[order], high[order]
    first = np.ones(len(order), bool)
    first[1:] = (low[1:] != low[:-1]) | (high[1:] != high[:-1])
    return np.asarray(np.sort(order[first & (low != high)]))


def _solve(
    edges: NDArray[np.int64], weights: NDArray[np.float64], parity: NDArray[np.bool_], time_limit: float
) -> tuple[NDArray[np.bool_], bool]:
    """Solve exactly where it is quick or in time, else as well as time allows."""
    if len(edges) <= SURE_EDGES or math.isinf(time_limit):
        return decode(edges, weights, parity), True
    end = time.monotonic() + time_limit
    answer = _start_apart(lambda: decode(edges, weights, parity)) if hasattr(os, "fork") else None
    chosen = None
    # Large graphs usually solve within a second or two as well; the fallback is begun only after that.
    if answer is not None:
        chosen = answer(min(end, time.monotonic() + 0.3 * time_limit))
    if chosen is not None:
        return chosen, True
    best = improve_in_windows(edges, weights, tree_join(edges, weights, parity), decode, WINDOW_EDGES, end)
    if answer is not None:
        chosen = answer(end, last=True)
    return (best, False) if chosen is None else (chosen, True)


def _start_apart(work: Callable[[], NDArray[np.bool_]]) -> Callable[..., NDArray[np.bool_] | None]:
    """Run work in a forked child, since nothing can interrupt the matching itself.

    Returns a function `answer(deadline, last=False)` that waits until the deadline (of `time.monotonic`) and
    gives the result, or None where there is none yet; with `last` the child is ended.
    """
    import select
    import signal

    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        status = 1
        try:
            with os.fdopen(writer, "wb") as stream:
                stream.write(work().tobytes())
            status = 0
        finally:
            # No clean-up of the parent's objects here: they belong to the parent.
            os._exit(status)
    os.close(writer)
    received = bytearray()
    ended = False

    def answer(deadline: float, *, last: bool = False) -> NDArray[np.bool_] | None:
        nonlocal ended
        while not ended:
            ready, _, _ = select.select([reader], [], [], max(0.0, deadline - time.monotonic()))
            if not ready:
                break
            block = os.read(reader, 1 << 20)
            received.extend(block)
            ended = not block
        if ended or last:
            if not ended:
                os.kill(child, signal.SIGKILL)
            os.close(reader)
            _, status = os.waitpid(child, 0)
            if ended and status == 0:
                return np.frombuffer(bytes(received), bool)
        return None

    return answer
