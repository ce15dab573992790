"""Graphs as arrays of edges: stable order, first occurrences, degrees and components."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def stable_argsort(keys: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the indices that sort whole numbers, equal ones in the order in which they stand.

    Parameters
    ----------
    keys : ndarray of int64, shape (n,)
        Not negative.

    Returns
    -------
    ndarray of int64, shape (n,)

    Examples
    --------
    >>> stable_argsort(np.array([5, 3, 5, 0])).tolist()
    [3, 1, 0, 2]
    """
    bits = len(keys).bit_length()
    if not len(keys) or int(keys.max()) >= 1 << (63 - bits):
        return np.argsort(keys, kind="stable")
    packed = np.sort((keys.astype(np.int64) << bits) | np.arange(len(keys)))
    return np.asarray(packed & ((1 << bits) - 1))


def first_occurrences(keys: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the indices at which each number occurs for the first time, ascending.

    Parameters
    ----------
    keys : ndarray of int64, shape (n,)
        Not negative.

    Returns
    -------
    ndarray of int64, shape (k,)

    Examples
    --------
    >>> first_occurrences(np.array([5, 3, 5, 0, 3])).tolist()
    [0, 1, 3]
    """
    order = stable_argsort(keys)
    first = np.ones(len(order), bool)
    first[1:] = keys[order[1:]] != keys[order[:-1]]
    return np.sort(order[first])


def degrees(edges: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Count the edge ends at each of `count` points, int64, shape (count,).

    Examples
    --------
    >>> degrees(np.array([[0, 1], [1, 2]]), 3).tolist()
    [1, 2, 1]
    """
    return np.bincount(edges.ravel(), minlength=count).astype(np.int64)


def component_labels(edges: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Component of each of `count` vertices, int64, numbered by first vertex.

    Examples
    --------
    >>> component_labels(np.array([[0, 1], [2, 3]]), 4).tolist()
    [0, 0, 1, 1]
    """
    from scipy import sparse
    from scipy.sparse import csgraph

    matrix = sparse.csr_matrix((np.ones(len(edges), np.int8), (edges[:, 0], edges[:, 1])), shape=(count, count))
    return np.asarray(csgraph.connected_components(matrix, directed=False)[1], np.int64)
