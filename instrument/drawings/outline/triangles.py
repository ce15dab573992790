"""Triangles of faces with any number of corners, concave ones too."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def triangulated(
    points: NDArray[np.float64], corners: NDArray[np.int64], sizes: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Cut faces into triangles that are wound as the faces are.

    Convex faces become fans; concave ones lose one ear after the other (G. H. Meisters, *Polygons have ears*, 1975).

    Parameters
    ----------
    points : ndarray of float64, shape (n, 3)
    corners : ndarray of int64, shape (c,)
        Corners of all faces, one face after the other.
    sizes : ndarray of int64, shape (f,)
        How many corners each has; those of fewer than three have no triangle.

    Returns
    -------
    ndarray of int64, shape (t, 3)

    Examples
    --------
    >>> square = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    >>> triangulated(square, np.arange(4), np.array([4])).tolist()
    [[0, 1, 2], [0, 2, 3]]
    """
    start = np.cumsum(sizes) - sizes
    found = [np.zeros((0, 3), np.int64)]
    for size in np.unique(sizes[sizes >= 3]).tolist():
        rows = start[sizes == size][:, None] + np.arange(size)
        faces = corners[rows]
        if size == 3:
            found.append(faces)
            continue
        convex = _are_convex(points[faces])
        fan = np.stack([np.repeat(faces[convex, :1], size - 2, axis=1), faces[convex, 1:-1], faces[convex, 2:]], axis=2)
        found.append(fan.reshape(-1, 3))
        found.extend(_without_ears(points, face) for face in faces[~convex])
    return np.concatenate(found)


def _are_convex(corners: NDArray[np.float64]) -> NDArray[np.bool_]:
    step = np.roll(corners, -1, axis=1) - corners
    bend = np.cross(step, np.roll(step, -1, axis=1))
    normal = np.cross(corners - corners[:, :1], step).sum(axis=1)
    return np.asarray(np.all(np.einsum("fci,fi->fc", bend, normal) >= 0.0, axis=1))


def _without_ears(points: NDArray[np.float64], face: NDArray[np.int64]) -> NDArray[np.int64]:
    place = points[face] - points[face[0]]
    normal = np.cross(place, np.roll(place, -1, axis=0)).sum(axis=0)
    # The coordinate planes that the face fills best: dropping the largest part of the normal keeps it widest.
    axis = int(np.argmax(np.abs(normal)))
    flat = np.delete(place, axis, axis=1) * ([1, 1] if (normal[axis] > 0) ^ (axis == 1) else [-1, 1])
    left = list(range(len(face)))
    found = []
    while len(left) > 3:
        ear = next((k for k in range(len(left)) if _is_ear(flat, left, k)), None)
        # A face that crosses itself may have none; whatever corner goes then, the others stay.
        ear = 0 if ear is None else ear
        found.append([left[ear - 1], left[ear], left[(ear + 1) % len(left)]])
        del left[ear]
    found.append(left)
    return np.asarray(face[np.array(found)])


def _is_ear(flat: NDArray[np.float64], left: list[int], k: int) -> bool:
    a, b, c = (flat[left[j % len(left)]] for j in (k - 1, k, k + 1))
    if _area(a, b, c) <= 0.0:
        return False
    others = flat[[j for j in left if j not in {left[k - 1], left[k], left[(k + 1) % len(left)]}]]
    within = (_area(a, b, others) >= 0) & (_area(b, c, others) >= 0) & (_area(c, a, others) >= 0)
    return not bool(np.any(within))


def _area(a: NDArray[np.float64], b: NDArray[np.float64], c: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(
        (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1]) - (b[..., 1] - a[..., 1]) * (c[..., 0] - a[..., 0])
    )
