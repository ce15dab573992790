"""Lines one pixel wide as strokes: chains of neighbouring pixels from fork to fork, short twigs cut off, steps smoothed."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_WAYS = ((0, 1), (1, 0), (1, 1), (1, -1))
"""Row and column of the neighbours that come later; the others are the same pairs from the other side."""

Chain = list[int]


def chains_of(mask: NDArray[np.bool_], width: NDArray[np.float64] | None = None) -> list[NDArray[np.float64]]:
    """Follow lines one pixel wide.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, columns)
        Pixels of the lines, thinned.
    width : ndarray of float64, shape (rows, columns), optional
        How far the border of the ink is (pixels); twigs no longer than that at their root are cut off, since a
        skeleton has one at every bump of the border.

    Returns
    -------
    list of ndarray of float64, shape (k, 2)
        Columns and rows at the middles of pixels, k at least 2. A ring ends where it began.
    """
    at = np.argwhere(mask)
    if len(at) < 2:
        return []
    pairs = _pairs(mask, at)
    chains = _chains(pairs, len(at))
    if width is not None:
        reach = width[at[:, 0], at[:, 1]]
        for _ in range(2):
            kept = _without_twigs(chains, reach)
            if len(kept) == len(chains):
                break
            chains = _chains(_pairs_along(kept), len(at))
    places = np.asarray(at[:, ::-1], np.float64) + 0.5
    return [places[chain] for chain in chains]


def smoothed(line: NDArray[np.float64], deviation: float) -> NDArray[np.float64]:
    """Take the steps of pixels out of a chain.

    Parameters
    ----------
    line : ndarray of float64, shape (k, 2)
        Ends stay where they are; of a ring, which ends where it began, all points move.
    deviation : float
        Standard deviation of the Gaussian along the line, in points.

    Returns
    -------
    ndarray of float64, shape (k, 2)
    """
    from scipy.ndimage import gaussian_filter1d

    if len(line) < 4:
        return line
    if np.array_equal(line[0], line[-1]):
        ring = gaussian_filter1d(line[:-1], deviation, axis=0, mode="wrap")
        return np.concatenate([ring, ring[:1]])
    # Mirrored through its end, a line keeps its end and its direction there.
    reach = min(len(line) - 1, int(4 * deviation) + 1)
    before = 2 * line[0] - line[reach:0:-1]
    behind = 2 * line[-1] - line[-2 : -reach - 2 : -1]
    long = gaussian_filter1d(np.concatenate([before, line, behind]), deviation, axis=0)
    return np.asarray(long[reach : reach + len(line)])


def _pairs(mask: NDArray[np.bool_], at: NDArray[np.intp]) -> NDArray[np.int64]:
    """Neighbours among the pixels as pairs of their numbers; diagonals only where no way round a corner is there."""
    number = np.full((mask.shape[0] + 2, mask.shape[1] + 2), -1, np.int64)
    number[at[:, 0] + 1, at[:, 1] + 1] = np.arange(len(at))
    inner = number[1:-1, 1:-1][at[:, 0], at[:, 1]]
    found = []
    for down, right in _WAYS:
        other = number[at[:, 0] + 1 + down, at[:, 1] + 1 + right]
        there = other >= 0
        if down and right:
            there &= number[at[:, 0] + 1 + down, at[:, 1] + 1] < 0
            there &= number[at[:, 0] + 1, at[:, 1] + 1 + right] < 0
        found.append(np.column_stack([inner[there], other[there]]))
    return np.concatenate(found)


def _pairs_along(chains: list[Chain]) -> NDArray[np.int64]:
    pairs = [np.column_stack([chain[:-1], chain[1:]]) for chain in chains]
    return np.concatenate(pairs) if pairs else np.zeros((0, 2), np.int64)


def _chains(pairs: NDArray[np.int64], count: int) -> list[Chain]:
    """Chains from fork or end to fork or end, then the rings that have neither."""
    neighbours: list[list[int]] = [[] for _ in range(count)]
    for a, b in pairs.tolist():
        neighbours[a].append(b)
        neighbours[b].append(a)
    used: set[tuple[int, int]] = set()
    chains: list[Chain] = []

    def follow(a: int, b: int) -> Chain:
        chain = [a, b]
        used.add((a, b))
        used.add((b, a))
        while len(neighbours[b]) == 2 and b != chain[0]:
            onward = neighbours[b][0] if neighbours[b][1] == a else neighbours[b][1]
            a, b = b, onward
            used.add((a, b))
            used.add((b, a))
            chain.append(b)
        return chain

    nodes = [k for k in range(count) if len(neighbours[k]) not in {0, 2}]
    rings = [k for k in range(count) if len(neighbours[k]) == 2]
    for k in nodes + rings:
        chains += [follow(k, other) for other in neighbours[k] if (k, other) not in used]
    return chains


def _without_twigs(chains: list[Chain], reach: NDArray[np.float64]) -> list[Chain]:
    """Leave out chains from an end to a fork that do not come out of the ink around the fork."""
    ends = np.bincount([end for chain in chains for end in (chain[0], chain[-1])], minlength=len(reach))
    kept = []
    for chain in chains:
        loose = [end for end in (chain[0], chain[-1]) if ends[end] == 1]
        root = chain[-1] if loose == [chain[0]] else chain[0]
        if len(loose) != 1 or len(chain) - 1 > 1.5 * reach[root] + 1:
            kept.append(chain)
    return kept
