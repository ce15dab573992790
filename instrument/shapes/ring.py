"""Shorter jumps: the pieces of line between jumps are turned round and moved (2-opt and Or-opt)."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def shorten_jumps(
    start: NDArray[np.float64], stop: NDArray[np.float64], deadline: float
) -> list[tuple[int, bool]]:
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
    2-opt: G. A. Croes (1958). Or-opt: I. Or (1976), moving up to three neighbours elsewhere, either way round.

    Examples
    --------
    >>> at = np.array([[0.0, 0, 0], [2, 0, 0], [1, 0, 0], [3, 0, 0]])
    >>> [piece for piece, _ in shorten_jumps(at, at, time.monotonic() + 9)]
    [0, 2, 1, 3]
    """
    count = len(start)
    # Piece p forwards is 2p, backwards 2p + 1: the same arrays serve both.
    head = np.stack([start, stop], axis=1).reshape(-1, 3)
    tail = np.stack([stop, start], axis=1).reshape(-1, 3)
    ring = 2 * np.arange(count)
    tolerance = 1e-12 * (1.0 + float(np.abs(head).max()))
    better = True
    while better:
        better = False
        for place in range(count):
            if time.monotonic() >= deadline:
                return [(int(p) // 2, bool(p % 2)) for p in ring]
            changed = _turn_stretch(ring, head, tail, place, tolerance)
            for length in (1, 2, 3):
                if not changed and count > length + 1:
                    changed = _move_stretch(ring, head, tail, place, length, tolerance)
            better |= changed
    return [(int(p) // 2, bool(p % 2)) for p in ring]


def _gap(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    step = one - other
    return np.asarray(np.sqrt(np.einsum("...i,...i->...", step, step)))


def _turn_stretch(
    ring: NDArray[np.int64],
    head: NDArray[np.float64],
    tail: NDArray[np.float64],
    place: int,
    tolerance: float,
) -> bool:
    """2-opt: run the best stretch that follows `place` the other way round."""
    last = np.arange(place + 1, len(ring))
    if not len(last):
        return False
    after = ring[(last + 1) % len(ring)]
    here, first = tail[ring[place]], head[ring[place + 1]]
    gain = (
        _gap(here, first)
        + _gap(tail[ring[last]], head[after])
        - _gap(here, tail[ring[last]])
        - _gap(first, head[after])
    )
    best = int(np.argmax(gain))
    if gain[best] <= tolerance:
        return False
    ring[place + 1 : last[best] + 1] = ring[place + 1 : last[best] + 1][::-1] ^ 1
    return True


def _move_stretch(
    ring: NDArray[np.int64],
    head: NDArray[np.float64],
    tail: NDArray[np.float64],
    place: int,
    length: int,
    tolerance: float,
) -> bool:
    """Or-opt: take `length` pieces out at `place` and put them where they cost least, either way round."""
    turned = np.roll(ring, -place)
    taken, rest = turned[:length], turned[length:]
    begin, end = head[taken[0]], tail[taken[-1]]
    before, after = tail[rest], head[np.roll(rest, -1)]
    saved = _gap(tail[rest[-1]], begin) + _gap(end, head[rest[0]]) - _gap(tail[rest[-1]], head[rest[0]])
    through = _gap(before, after)
    forwards = _gap(before, begin) + _gap(end, after) - through
    backwards = _gap(before, end) + _gap(begin, after) - through
    cost = np.minimum(forwards, backwards)
    best = int(np.argmin(cost))
    if saved - cost[best] <= tolerance:
        return False
    if backwards[best] < forwards[best]:
        taken = taken[::-1] ^ 1
    ring[:] = np.concatenate([rest[: best + 1], taken, rest[best + 1 :]])
    return True
