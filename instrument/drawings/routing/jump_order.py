"""Order of the pieces of line between jumps: cut, turned round and moved until the jumps are short."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import time
from collections import deque
from math import dist
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.routing.closed_line import RouteOptions, StepKind

if TYPE_CHECKING:
    from numpy.typing import NDArray


def walk_steps(
    points: NDArray[np.float64],
    edges: NDArray[np.int64],
    kinds: NDArray[np.uint8],
    halves: NDArray[np.int64],
    options: RouteOptions,
) -> tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.int64]]:
    """Return the steps of a walk, with its jumps made as short as time allows.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 3)
    edges : ndarray of int64, shape (m, 2)
    kinds : ndarray of uint8, shape (m,)
        The `StepKind` of each edge.
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
    is_jump = kinds[halves // 2] == StepKind.JUMP
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
    return np.concatenate(walk), np.where(steps < 0, StepKind.JUMP, kinds[steps]).astype(np.uint8), steps


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
    for index, piece in enumerate(pieces):
        if ends[piece[0]] != ends[piece[-1] ^ 1]:
            continue
        before = points[ends[pieces[index - 1][-1] ^ 1]]
        after = points[ends[pieces[(index + 1) % len(pieces)][0]]]
        there = points[ends[piece]]
        way = np.linalg.norm(there - before, axis=1) + np.linalg.norm(there - after, axis=1)
        pieces[index] = np.roll(piece, -int(np.argmin(way)))
    return pieces


# A jump is only ever exchanged for one to such a near end of another piece; of more, few are ever worth it.
NEAR_ENDS = 10
# Pieces moved together.
LONGEST_MOVED = 3


def shorten_jumps(start: NDArray[np.float64], stop: NDArray[np.float64], deadline: float) -> list[tuple[int, bool]]:
    """Order and turn pieces of line so that the jumps from each one's end to the next one's start are short.

    Parameters
    ----------
    start, stop : ndarray of float64, shape (p, 3)
        Where each piece begins and ends; the pieces follow each other in a ring.
    deadline : float
        Of `time.monotonic`; the best order found by then is given.

    Returns
    -------
    list of (int, bool)
        Pieces in their new order, and whether each is run backwards. Never longer jumps than in the given order.

    Notes
    -----
    2-opt: G. A. Croes (1958). Or-opt: I. Or (1976), moving up to three neighbours elsewhere, either way round. Looking
    only at near ends, and only round places where something has changed: J. L. Bentley, Fast algorithms for geometric
    traveling salesman problems, ORSA Journal on Computing 4 (1992), pages 387 to 411.

    Examples
    --------
    >>> at = np.array([[0.0, 0, 0], [2, 0, 0], [1, 0, 0], [3, 0, 0]])
    >>> [piece for piece, _ in shorten_jumps(at, at, time.monotonic() + 9)]
    [0, 2, 1, 3]
    """
    if len(start) < 3:
        return [(piece, False) for piece in range(len(start))]
    # Local search from the given order: each change is taken at once, and only pieces whose neighbours have changed are
    # looked at again. Without the queue every round would look at all pieces.
    ring = _Ring(start, stop)
    waiting = deque(range(len(start)))
    is_waiting = [True] * len(start)
    while waiting and time.monotonic() < deadline:
        piece = waiting.popleft()
        is_waiting[piece] = False
        # What was touched may now be bettered, and so may the piece itself once more.
        for touched in ring.improve(piece):
            if not is_waiting[touched]:
                is_waiting[touched] = True
                waiting.append(touched)
    return [(end // 2, bool(end % 2)) for end in ring.order]


class _Ring:
    """Pieces in a ring. Piece p run forwards is 2p, backwards 2p + 1; end 2p is where it starts, 2p + 1 where it stops."""

    def __init__(self, start: NDArray[np.float64], stop: NDArray[np.float64]) -> None:
        from scipy.spatial import cKDTree

        count = len(start)
        ends = np.stack([start, stop], axis=1).reshape(-1, 3)
        self.order = list(range(0, 2 * count, 2))
        self._index = list(range(count))
        self._at: list[tuple[float, ...]] = [tuple(end) for end in ends.tolist()]
        # A gain below rounding is none: otherwise two orders of equal length could be exchanged for ever.
        self._tolerance = 1e-12 * (1.0 + float(np.abs(ends).max()))
        near = min(NEAR_ENDS + 2, 2 * count)
        self._near: list[list[int]] = cKDTree(ends).query(ends, k=near)[1].tolist()

    def improve(self, piece: int) -> list[int]:
        """Make one change round a piece, if one makes the jumps shorter, and tell which pieces it touched."""
        for change in (self._turn_after, self._turn_before, self._move):
            touched = change(piece)
            if touched:
                return [end // 2 for end in touched]
        return []

    def _gap(self, left: int, entered: int) -> float:
        """Jump from the stop of one run piece to the start of another."""
        return dist(self._at[left ^ 1], self._at[entered])

    def _turn_after(self, piece: int) -> list[int]:
        """2-opt: run the stretch after a piece backwards, so that its far end comes next."""
        order, count = self.order, len(self.order)
        index = self._index[piece]
        here, following = order[index], order[(index + 1) % count]
        now = self._gap(here, following)
        for end in self._near[here ^ 1]:
            new = dist(self._at[here ^ 1], self._at[end])
            if new >= now:
                break
            other = self._index[end // 2]
            last = order[other]
            # The end must be the one at which its piece is left.
            if end != last ^ 1 or last in {here, following}:
                continue
            after = order[(other + 1) % count]
            gain = now + self._gap(last, after) - new - dist(self._at[following], self._at[after])
            if gain > self._tolerance:
                self._turn((index + 1) % count, other)
                return [here, following, last, after]
        return []

    def _turn_before(self, piece: int) -> list[int]:
        """2-opt: run the stretch before a piece backwards, so that its far start comes right before."""
        order, count = self.order, len(self.order)
        index = self._index[piece]
        here, before = order[index], order[index - 1]
        now = self._gap(before, here)
        for end in self._near[here]:
            new = dist(self._at[here], self._at[end])
            if new >= now:
                break
            other = self._index[end // 2]
            first = order[other]
            if end != first or first in {here, before}:
                continue
            earlier = order[other - 1]
            gain = now + self._gap(earlier, first) - new - dist(self._at[before ^ 1], self._at[earlier ^ 1])
            if gain > self._tolerance:
                self._turn(other, (index - 1) % count)
                return [here, before, first, earlier]
        return []

    def _move(self, piece: int) -> list[int]:
        """Or-opt: take a few pieces out and put them beside a near end, either way round."""
        order, count = self.order, len(self.order)
        index = self._index[piece]
        for length in range(1, min(LONGEST_MOVED, count - 2) + 1):
            for first in {index, (index - length + 1) % count}:
                moved = [order[(first + step) % count] for step in range(length)]
                before, after = order[first - 1], order[(first + length) % count]
                saved = self._gap(before, moved[0]) + self._gap(moved[-1], after) - self._gap(before, after)
                if saved <= self._tolerance:
                    continue
                touched = self._put(moved, before, after, saved)
                if touched:
                    return touched
        return []

    def _put(self, moved: list[int], before: int, after: int, saved: float) -> list[int]:
        order, count = self.order, len(self.order)
        backwards = [end ^ 1 for end in reversed(moved)]
        for run in (moved, backwards):
            # The run's start comes to lie at the stop of what goes before it there.
            for end in self._near[run[0]]:
                if dist(self._at[run[0]], self._at[end]) >= saved:
                    break
                left = order[self._index[end // 2]]
                if end != left ^ 1 or left in moved:
                    continue
                entered = order[(self._index[end // 2] + 1) % count]
                if entered in moved:
                    entered = after
                if self._takes(run, left, entered, saved):
                    return self._moved(run, moved, left, entered, (before, after))
            # Or its stop at the start of what follows.
            for end in self._near[run[-1] ^ 1]:
                if dist(self._at[run[-1] ^ 1], self._at[end]) >= saved:
                    break
                entered = order[self._index[end // 2]]
                if end != entered or entered in moved:
                    continue
                left = order[self._index[end // 2] - 1]
                if left in moved:
                    left = before
                if self._takes(run, left, entered, saved):
                    return self._moved(run, moved, left, entered, (before, after))
        return []

    def _takes(self, run: list[int], left: int, entered: int, saved: float) -> bool:
        cost = self._gap(left, run[0]) + self._gap(run[-1], entered) - self._gap(left, entered)
        return saved - cost > self._tolerance

    def _moved(self, run: list[int], moved: list[int], left: int, entered: int, gap: tuple[int, int]) -> list[int]:
        gone = set(moved)
        rest = [end for end in self.order if end not in gone]
        index = rest.index(left) + 1
        self.order = rest[:index] + run + rest[index:]
        for index, end in enumerate(self.order):
            self._index[end // 2] = index
        return [left, entered, *gap, *run]

    def _turn(self, first: int, last: int) -> None:
        """Run the stretch from one index to another backwards; or all the rest, which is the same ring."""
        count = len(self.order)
        inside = (last - first) % count + 1
        if 2 * inside > count:
            first, last, inside = (last + 1) % count, (first - 1) % count, count - inside
        indices = [(first + step) % count for step in range(inside)]
        turned = [self.order[index] ^ 1 for index in reversed(indices)]
        for index, end in zip(indices, turned, strict=True):
            self.order[index] = end
            self._index[end // 2] = index
