"""Jumps between the connected components of a drawing, which make the whole one line."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.routing.jump_order import shorten_jumps

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from scipy.spatial import cKDTree

# Up to this many points it is quicker to ask each for so many neighbours.
SMALL_PIECE = 400


def nearest_links(points: NDArray[np.float64], label: NDArray[np.int64]) -> NDArray[np.int64]:
    """Find the shortest links that connect all pieces: a minimum spanning tree between sets of points.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 3)
    label : ndarray of int64, shape (n,)
        The piece each point belongs to, 0 to k - 1.

    Returns
    -------
    ndarray of int64, shape (k - 1, 2)
        Pairs of rows of `points`.

    Notes
    -----
    O. Borůvka's method (1926): every piece takes the nearest point of another; pieces so linked are one.

    Examples
    --------
    >>> line = np.array([[0.0, 0, 0], [1, 0, 0], [5, 0, 0]])
    >>> np.sort(nearest_links(line, np.array([0, 1, 2]))).tolist()
    [[0, 1], [1, 2]]
    """
    from scipy import sparse
    from scipy.sparse import csgraph
    from scipy.spatial import cKDTree

    # Each round at least halves the number of pieces, so there are at most log2(k) rounds.
    tree = cKDTree(points)
    label = label.copy()
    links: list[tuple[int, int]] = []
    pieces = int(label.max()) + 1
    while pieces > 1:
        pairs = _nearest_foreign(tree, points, label, pieces)
        # Two pieces that take each other's nearest make one link. Equal distances could close a ring; a
        # spanning tree of what was taken leaves it open.
        ends = label[pairs]
        length = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
        order = np.argsort(length, kind="stable")
        group = np.arange(pieces)

        def find(piece: int, group: NDArray[np.int64] = group) -> int:
            while group[piece] != piece:
                group[piece] = group[group[piece]]
                piece = int(group[piece])
            return piece

        for row in order.tolist():
            one, other = find(int(ends[row, 0])), find(int(ends[row, 1]))
            if one != other:
                group[one] = other
                links.append((int(pairs[row, 0]), int(pairs[row, 1])))
        joined = sparse.csr_matrix((np.ones(pieces), (np.arange(pieces), group)), shape=(pieces, pieces))
        pieces, merged = csgraph.connected_components(joined, directed=False)
        label = merged[label]
    return np.asarray(links, np.int64).reshape(-1, 2)


def _nearest_foreign(
    tree: cKDTree, points: NDArray[np.float64], label: NDArray[np.int64], pieces: int
) -> NDArray[np.int64]:
    """For each piece but the largest, its point nearest to any other piece and that point, shape (k, 2)."""
    best = np.full(pieces, np.inf)
    pair = np.full((pieces, 2), -1)
    # The largest piece need not look: all others will have looked, and whatever is nearest to it among them.
    waiting = np.flatnonzero(label != np.bincount(label).argmax())
    for near in (4, 16):
        distance, neighbour = tree.query(points[waiting], k=min(near, len(points)))
        foreign = label[neighbour] != label[waiting, None]
        has = foreign.any(axis=1)
        column = foreign.argmax(axis=1)
        found = np.where(has, distance[np.arange(len(waiting)), column], np.inf)
        order = np.lexsort((waiting, found))
        first = order[np.unique(label[waiting][order], return_index=True)[1]]
        piece = label[waiting][first]
        better = first[found[first] < best[piece]]
        best[label[waiting][better]] = found[better]
        pair[label[waiting][better]] = np.stack([waiting[better], neighbour[better, column[better]]], axis=1)
        # A point whose neighbours are all its own cannot have a foreign one nearer than the furthest of them.
        waiting = waiting[~has & (distance[:, -1] < best[label[waiting]])]
        if not len(waiting):
            break
    for piece in np.unique(label[waiting]).tolist():
        inside = waiting[label[waiting] == piece]
        count = int((label == piece).sum())
        if count <= SMALL_PIECE:
            # One neighbour more than the piece has points, and one of them must be foreign.
            distance, neighbour = tree.query(points[inside], k=count + 1)
            distance = np.where(label[neighbour] == piece, np.inf, distance)
            row, column = divmod(int(np.argmin(distance)), count + 1)
            if distance[row, column] < best[piece]:
                pair[piece] = inside[row], neighbour[row, column]
            continue
        # Deep within a dense piece: all that is foreign looks for the nearest of these points instead.
        outside = np.flatnonzero(label != piece)
        distance, nearest = type(tree)(points[inside]).query(points[outside], distance_upper_bound=best[piece])
        row = int(np.argmin(distance))
        if distance[row] < best[piece]:
            pair[piece] = inside[nearest[row]], outside[row]
    return pair[pair[:, 0] >= 0]


def jumps_between(
    points: NDArray[np.float64], label: NDArray[np.int64], order: str = "near", seconds: float = 1.0
) -> NDArray[np.int64]:
    """Choose jumps that join all pieces into one and leave every vertex even.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 3)
    label : ndarray of int64, shape (n,)
        The piece each point belongs to, numbered by its first stroke.
    order : {"near", "drawn"}
        Whether the pieces are visited for the least jumping or in the order they were drawn.
    seconds : float
        Time for shortening a tour of the pieces.

    Returns
    -------
    ndarray of int64, shape (j, 2)
        Pairs of rows of `points`.
    """
    pieces = int(label.max()) + 1
    if pieces == 1:
        return np.zeros((0, 2), np.int64)
    members = np.split(np.argsort(label, kind="stable"), np.cumsum(np.bincount(label, minlength=pieces))[:-1])
    if order == "drawn":
        return _visiting_tour(points, members, np.array([rows[0] for rows in members]))
    links = nearest_links(points, label)
    # Any set of jumps will do that joins all pieces and has an even number of ends at each vertex; the shortest one is as
    # hard as the travelling salesman's tour, so two good ones are made and the shorter is taken.
    # Two ways to begin: pieces hung on one another there and back, or one tour with each piece visited once.
    # A row of pieces wants the first, a ring of pieces the second.
    hung = _nearest_insertion(points, label, links)
    toured = _tree_tour(points, label, links, members, time.monotonic() + seconds)
    return min(hung, toured, key=lambda jumps: _total_length(points, jumps))


def _total_length(points: NDArray[np.float64], pairs: NDArray[np.int64]) -> float:
    return float(np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1).sum())


def _tree_tour(
    points: NDArray[np.float64],
    label: NDArray[np.int64],
    links: NDArray[np.int64],
    members: list[NDArray[np.int64]],
    deadline: float,
) -> NDArray[np.int64]:
    """Visit each piece once: in the order of a walk round the tree of links, then 2-opt, Or-opt and entries."""
    near: dict[int, list[tuple[float, int, int]]] = {}
    for one, other in links.tolist():
        apart = float(np.linalg.norm(points[one] - points[other]))
        near.setdefault(int(label[one]), []).append((apart, one, other))
        near.setdefault(int(label[other]), []).append((apart, other, one))
    entry = np.array([rows[0] for rows in members])
    order: list[int] = []
    seen = {0}
    waiting = [0]
    while waiting:
        piece = waiting.pop()
        order.append(piece)
        # The nearest is visited first, so it is put on top of the pile.
        for _, here, there in sorted(near[piece], reverse=True):
            following = int(label[there])
            if following not in seen:
                seen.add(following)
                entry[piece], entry[following] = here, there
                waiting.append(following)
    for _ in range(3):
        places = points[entry[order]]
        order = [order[at] for at, _ in shorten_jumps(places, places, deadline)]
        jumps = _visiting_tour(points, [members[piece] for piece in order], entry[order])
        entry[order] = jumps[:, 0]
    return jumps


def _nearest_insertion(
    points: NDArray[np.float64], label: NDArray[np.int64], links: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Nearest insertion: the nearest piece next, there and back or in between an earlier jump."""
    tree: dict[int, list[tuple[int, int]]] = {}
    for one, other in links.tolist():
        tree.setdefault(int(label[one]), []).append((one, other))
        tree.setdefault(int(label[other]), []).append((other, one))
    jumps = np.zeros((len(links) * 2, 2), np.int64)
    count = 0
    # The piece with most points comes first: it has most places to jump from.
    first = int(np.argmax(np.bincount(label)))
    inside = {first}
    waiting = list(tree[first])
    while waiting:
        lengths = [float(np.linalg.norm(points[a] - points[b])) for a, b in waiting]
        at, new = waiting.pop(int(np.argmin(lengths)))
        piece = int(label[new])
        if piece in inside:
            continue
        inside.add(piece)
        waiting.extend(link for link in tree[piece] if int(label[link[1]]) not in inside)
        old = points[jumps[:count]]
        extra = (
            np.linalg.norm(old[:, 0] - points[new], axis=1)
            + np.linalg.norm(old[:, 1] - points[new], axis=1)
            - np.linalg.norm(old[:, 0] - old[:, 1], axis=1)
        )
        if count and extra.min() < 2 * min(lengths):
            row = int(np.argmin(extra))
            far = int(jumps[row, 1])
            jumps[row, 1] = new
            jumps[count] = new, far
            count += 1
        else:
            jumps[count] = jumps[count + 1] = at, new
            count += 2
    return jumps[:count]


def _visiting_tour(
    points: NDArray[np.float64], members: list[NDArray[np.int64]], entry: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Visit pieces in this order, each left where it was entered, at the place that makes the jumps short."""
    entry = entry.copy()
    # Each round moves every entry to the best place between its neighbours; it settles within a few.
    for _ in range(4):
        for piece, rows in enumerate(members):
            before, after = points[entry[piece - 1]], points[entry[(piece + 1) % len(members)]]
            there = points[rows]
            way = np.linalg.norm(there - before, axis=1) + np.linalg.norm(there - after, axis=1)
            entry[piece] = rows[int(np.argmin(way))]
    return np.stack([entry, np.roll(entry, -1)], axis=1)
