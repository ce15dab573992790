"""Tables that a program is given, checked and brought into the shape in which it keeps them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.memory.layout import CELLS
from instrument.engine.parameters import MODULATORS

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]


def path_table(points: Floats) -> tuple[Floats, int]:
    """Return closed paths [shape=(frames, n, 3)] of points [shape=(n, 3) or (frames, n, 3)], and the axes that are kept.

    Raises
    ------
    ValueError
        If there is no point or a coordinate is not finite.
    """
    table = np.ascontiguousarray(points, np.float64)
    if table.ndim == 2:
        table = table[np.newaxis]
    if table.ndim != 3 or table.shape[2] != 3 or table.size == 0:
        raise ValueError(f"a path is (n, 3) or (frames, n, 3) points, none of them 0, not {points.shape}")
    if not np.isfinite(table).all():
        raise ValueError("a path holds a coordinate that is not finite")
    return table, axes_of(table)


def axes_of(frames: Floats) -> int:
    """Return how many axes of frames are kept: 2 where several are all flat, for a minute of film is half as large then.

    Examples
    --------
    >>> axes_of(np.zeros((1, 2, 3))), axes_of(np.zeros((2, 2, 3))), axes_of(np.ones((2, 2, 3)))
    (3, 2, 3)
    """
    return 2 if len(frames) > 1 and not frames[:, :, 2].any() else 3


def direction_table(directions: Floats, count: int) -> Floats:
    """Return directions [shape=(count, 3)], one for each of as many paths.

    Raises
    ------
    ValueError
        If there are not so many, or one is not finite or has no length.
    """
    table = np.ascontiguousarray(directions, np.float64)
    if table.shape != (count, 3):
        raise ValueError(f"{count} paths have {count} directions of three numbers, not an array of {table.shape}")
    if not np.isfinite(table).all() or not np.any(table != 0.0, axis=1).all():
        raise ValueError("a direction is three finite numbers, not all of them 0")
    return table


def rows_table(rows: Floats, width: int, what: str, columns: str) -> Floats:
    """Return rows of so many finite numbers [shape=(k, width)], at least one.

    Raises
    ------
    ValueError
        In words that say what it is and what its columns are.
    """
    table = np.ascontiguousarray(rows, np.float64)
    if table.ndim != 2 or table.shape[1] != width or len(table) == 0:
        raise ValueError(f"{what} is rows of {columns}, at least one, not an array of {table.shape}")
    if not np.isfinite(table).all():
        raise ValueError(f"{what} holds a number that is not finite")
    return table


def gesture_cells(values: Floats | None) -> Floats:
    """Return the cells of a gesture [shape=(CELLS,)], or none, of values at equal distances along its cycle.

    Raises
    ------
    ValueError
        If a value is not finite.
    """
    if values is None or not len(values):
        return np.zeros(0)
    cells = np.asarray(values, np.float64)
    if cells.ndim != 1 or not np.isfinite(cells).all():
        raise ValueError("a gesture is a row of finite values")
    if len(cells) == CELLS:
        return cells
    return np.interp(np.arange(CELLS) / CELLS, np.arange(len(cells)) / len(cells), cells, period=1.0)


def check_modulator(number: int) -> None:
    """Refuse a modulator, 0-based, that there is not.

    Raises
    ------
    ValueError
    """
    if not 0 <= number < MODULATORS:
        raise ValueError(f"there is no modulator {number + 1}; they are counted from 1 to {MODULATORS}")
