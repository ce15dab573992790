"""Minimum-weight T-joins: the least repetition that lets a line close, solved exactly by sparse blossom."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import contextlib
import math
import mmap
import os
import select
import signal
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.routing.graph_reduction import ReducedGraph
from instrument.drawings.routing.window_improvement import half_nearest_bound, improve_in_windows, spanning_tree_t_join

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Choice = NDArray[np.bool_]


# pymatching puts weights on an integer grid of 2**24 steps up to the largest (`num_distinct_weights` in its
# Matching.decode documentation says how it rounds; the number of steps is from its source, user_graph.h).
GRID_STEPS = 2**24
# Up to this many edges the exact answer is waited for. Above, time depends on the graph more than on its size:
# 100,000 edges of a landscape take a second or two, 31,000 of a machine part, with its very long and very short
# edges, took 47 (measured).
SURE_EDGES = 3_000
# Edges in the largest window of the fallback; measured: within 0.1 percent of the minimum after a few passes.
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


# Why a T-join: a line can run over every edge and come back to its start only if each vertex has an even number of edge
# ends (Euler). The vertices with an odd number are the set T; edges run a second time must have an odd number of ends at
# exactly these. Such a set of edges is a T-join, and the cheapest one is the least repetition there is.


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

    See Also
    --------
    instrument.drawings.routing.graph_reduction.ReducedGraph : what is settled before the solver is asked.
    instrument.drawings.routing.window_improvement.improve_in_windows : the answer when time runs out.
    instrument.drawings.routing.euler_circuit.euler_circuit : the walk that the T-join makes possible.

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
    if not odd.any():
        return TJoin(np.zeros(len(edges), bool), 0.0, 0.0, 0.0, exact=True)
    if len(edges) <= SURE_EDGES or math.isinf(time_limit):
        problem = _ReducedProblem(edges, weights, odd)
        return problem.answer(solve_t_join(problem.edges, problem.weights, problem.parity), exact=True)
    return TJoinSearch(edges, weights, odd, begin=time_limit > 0).best(time_limit)


class TJoinSearch:
    """A T-join being looked for while something else is done.

    Parameters
    ----------
    edges, weights, odd
        As for `minimum_t_join`.
    begin : bool
        Begin to look for the exact answer at once, in a child, where the system has such.
    """

    def __init__(
        self,
        edges: NDArray[np.int64],
        weights: NDArray[np.float64],
        odd: NDArray[np.bool_],
        *,
        begin: bool = True,
    ) -> None:
        problem = _ReducedProblem(edges, weights, odd)
        self._problem = problem
        self._exact: ForkedSearch | None = None
        if begin and can_fork() and problem.parity.any():
            self._exact = ForkedSearch(
                np.zeros(len(problem.edges), bool),
                lambda publish: publish(solve_t_join(problem.edges, problem.weights, problem.parity)),
            )

    def end(self) -> None:
        """Stop looking."""
        if self._exact is not None:
            self._exact.end()

    def exact(self, deadline: float) -> TJoin | None:
        """Exact answer, if it is there by a moment of `time.monotonic`."""
        if self._exact is None or not self._exact.wait(deadline):
            return None
        self._exact.end()
        return self._problem.answer(self._exact.best, exact=True)

    def best(self, time_limit: float) -> TJoin:
        """Exact answer if it is there within so many seconds, else the best one found in that time."""
        if not self._problem.parity.any():
            return self._problem.answer(np.zeros(len(self._problem.edges), bool), exact=True)
        now = time.monotonic()
        end = now + time_limit
        # Most graphs solve within a second or two; the fallback, on the other core, is begun only after that.
        found = self.exact(now + 0.3 * time_limit)
        if found is not None:
            return found
        edges, weights, parity = self._problem.edges, self._problem.weights, self._problem.parity
        tree = spanning_tree_t_join(edges, weights, parity)
        if self._exact is None or time_limit <= 0:
            self.end()
            choice = improve_in_windows(edges, weights, tree, solve_t_join, WINDOW_EDGES, end)
            return self._problem.answer(choice, exact=False)

        def improve(publish: Callable[[NDArray[np.bool_]], None]) -> None:
            improve_in_windows(edges, weights, tree, solve_t_join, WINDOW_EDGES, end, publish)

        windows = ForkedSearch(tree, improve)
        found = self.exact(end)
        self.end()
        windows.end()
        return found or self._problem.answer(windows.best, exact=False)


class _ReducedProblem:
    """A graph made ready for the solver: what needs no deciding is settled."""

    def __init__(self, edges: NDArray[np.int64], weights: NDArray[np.float64], odd: NDArray[np.bool_]) -> None:
        self._all_weights = weights
        self._reduced = ReducedGraph(edges, weights, odd)
        self.edges, self.weights, self.parity = self._reduced.edges, self._reduced.weights, self._reduced.odd

    def answer(self, within: NDArray[np.bool_], exact: bool) -> TJoin:
        """Expand a choice among the edges left to the graph as it came."""
        chosen = self._reduced.whole(within)
        weight = float(self._all_weights[chosen].sum())
        # Each weight is rounded by at most half a step of the solver's grid, and so is that of each edge in the true
        # optimum; one step for every edge chosen covers both.
        slack = float(self.weights.max(initial=0.0)) / GRID_STEPS * max(int(within.sum()), 1)
        if exact:
            return TJoin(chosen, weight, weight, slack, exact=True)
        # The reduction has settled a part for good; only what is left needs a bound.
        granted = float(self._all_weights[self._reduced.whole(np.zeros_like(within))].sum())
        bound = granted + half_nearest_bound(self.edges, self.weights, self.parity)
        return TJoin(chosen, weight, min(weight, bound), slack, exact=False)


def solve_t_join(
    edges: NDArray[np.int64], weights: NDArray[np.float64], parity: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Solve exactly with no limit: edges without parallels, vertices numbered without gaps.

    Returns
    -------
    ndarray of bool, shape (m,)
    """
    import pymatching
    from scipy import sparse

    if not parity.any():
        return np.zeros(len(edges), bool)
    # The check matrix of a code whose bits are the edges and whose checks are the vertices: each column has its two ends.
    # Decoding the syndrome "these vertices are odd" gives the lightest set of edges that explains it.
    columns = np.repeat(np.arange(len(edges)), 2)
    entries = (np.ones(len(columns), np.uint8), (edges.ravel(), columns))
    check = sparse.csc_matrix(entries, shape=(len(parity), len(edges)))
    matching = pymatching.Matching.from_check_matrix(check, weights=weights)
    return np.asarray(matching.decode(parity.astype(np.uint8)), bool)


def can_fork() -> bool:
    """Whether this system can fork a process."""
    return hasattr(os, "fork")


class ForkedSearch:
    """A forked child that looks for a choice of edges and writes down the best one it has.

    The answer lies in memory that both processes share, twice: the child fills the copy that does not count yet and
    then says with one byte which one counts, so that whatever moment it is ended at, a whole answer is there.

    Parameters
    ----------
    first : ndarray of bool, shape (m,)
        What the answer is until the child has a better one.
    work : callable
        `work(publish)` runs in the child and calls `publish(choice)` with each better choice.
    """

    def __init__(self, first: Choice, work: Callable[[Callable[[Choice], None]], None]) -> None:
        self._count = len(first)
        self._shared = mmap.mmap(-1, 1 + 2 * max(self._count, 1))
        self._publish(first)
        reader, writer = os.pipe()
        self._pid = os.fork()
        if self._pid == 0:
            # In the child. Memory is copied on write, so the graph is there without being sent; the solver, which is C++
            # and listens to nothing, can be ended by the parent at any moment.
            status = 1
            try:
                os.close(reader)
                work(self._publish)
                status = 0
            finally:
                # No clean-up of the parent's objects here: they belong to the parent. The pipe closes by itself,
                # which tells the parent that the work is over.
                os._exit(status)
        os.close(writer)
        self._reader = reader
        self._status: int | None = None

    def wait(self, deadline: float) -> bool:
        """Wait until the work is done, or until a moment of `time.monotonic`; tell whether it was done well."""
        if self._status is None:
            left = None if math.isinf(deadline) else max(0.0, deadline - time.monotonic())
            ready, _, _ = select.select([self._reader], [], [], left)
            if ready:
                self._gone()
        return self._status == 0

    def end(self) -> None:
        """End the child, if it is not over, and wait until it is gone."""
        if self._status is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._pid, signal.SIGKILL)
            self._gone()

    @property
    def best(self) -> Choice:
        """The best choice written down so far."""
        begin = 1 + self._shared[0] * self._count
        return np.frombuffer(self._shared[begin : begin + self._count], bool).copy()

    def _publish(self, choice: Choice) -> None:
        other = 1 - self._shared[0]
        begin = 1 + other * self._count
        self._shared[begin : begin + self._count] = choice.tobytes()
        # The byte that says which copy counts is written last.
        self._shared[0] = other

    def _gone(self) -> None:
        os.close(self._reader)
        _, self._status = os.waitpid(self._pid, 0)
