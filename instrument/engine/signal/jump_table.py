"""The table of a path's jumps as the engine eases them: where they lie, how many samples each takes, and its shape."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.engine.program import Program

HEAD = 3
"""Numbers before the rows of a frame: jumps in it, samples of all together, most share of the cycle for a sample."""

ROW = 5
"""Numbers of a jump: the point before it, samples of the jumps before it, samples of its own, the profile's two shares."""

TREMBLE = 0.003
"""Share of the drawing's size that the trembling behind a jump may have: less than the corners of drawings have of their own
at 110 Hz and 48 kHz, 0.1 to 0.25 percent (`tools/benches/jumps.py`)."""

MOST_SHARE = 0.25
"""Share of the cycle that all jumps together take at most unless a drawing says otherwise (our choice): a word of eight jumps
keeps their full length up to 700 Hz at 48 kHz."""

LONGEST = 64.0
"""Samples that a jump takes at most."""

_RINGING = np.array(
    [
        [0.0, 1.0],
        [0.25, 0.7807],
        [0.5, 0.5],
        [0.75, 0.3237],
        [1.0, 0.2008],
        [1.25, 0.1207],
        [1.5, 0.0829],
        [1.75, 0.0561],
        [2.0, 0.0348],
        [2.25, 0.0198],
        [2.5, 0.0112],
        [2.75, 0.0078],
        [3.0, 0.005],
        [3.25, 0.0037],
        [3.5, 0.0024],
        [4.0, 0.0018],
    ]
)
"""Samples of an eased jump, and how far the signal between samples then leaves the strokes beside it, in jumps: the most over
all places of the jump between samples, behind the reconstruction of `instrument.beam.reconstruction`. Computed;
`tools/benches/jumps.py` computes it again."""

_PROFILE = np.array(
    [
        [1.0, -0.6, 0.2],
        [2.0, -0.85, 0.28],
        [2.25, -1.04, 0.39],
        [2.5, -1.1, 0.43],
        [3.0, -1.105, 0.383],
        [3.5, -1.24, 0.42],
        [4.0, -1.319, 0.453],
    ]
)
"""Samples of a jump, and the shares of v**3 and v**5 in the odd polynomial of its way with which it rings least. Computed by
minimising that largest distance (Nelder and Mead), rounded so that they change evenly."""


def samples_for(distance: npt.NDArray[np.float64], size: float) -> npt.NDArray[np.float64]:
    """Return how many samples jumps need so that they leave the strokes beside them by no more than `TREMBLE`.

    Parameters
    ----------
    distance : np.ndarray [dtype=float64]
        Of each jump.
    size : float
        Largest extent of the drawing, more than 0.

    Examples
    --------
    >>> samples_for(np.array([0.0, 0.1, 2.0]), 2.0).round(1).tolist()
    [0.0, 1.7, 3.4]
    """
    allowed = np.clip(TREMBLE * size / np.maximum(distance, 1e-300), _RINGING[-1, 1], 1.0)
    # From much ringing to little, as interpolation wants it; on logarithms, because ringing falls by factors.
    return np.asarray(np.interp(-np.log(allowed), -np.log(_RINGING[:, 1]), _RINGING[:, 0]), np.float64)


def profile_of(samples: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return the shares of v**3 and v**5 in the way of jumps of so many samples, float64, shape (n, 2)."""
    return np.stack([np.interp(samples, _PROFILE[:, 0], _PROFILE[:, k]) for k in (1, 2)], axis=1)


def lay_jumps(
    program: Program,
    layer: int,
    leaps: npt.NDArray[np.bool_],
    samples: float | None = None,
    share: float = MOST_SHARE,
) -> None:
    """Let the engine ease the jumps of a path that a layer draws; nothing changes where there are none.

    Parameters
    ----------
    program : Program
        Its `draw_path` comes first.
    layer : int, 0-based
    leaps : np.ndarray [shape=(frames, n), dtype=bool]
        Where the way from a point to the next (from the last to the first) is a jump.
    samples : float, optional
        That each jump takes, 0 to `LONGEST`; by default as many as `samples_for` says.
    share : float
        Of the cycle that all jumps together take at most, 0 to 0.9.

    Raises
    ------
    ValueError
        If it is not of the path, or a number is out of range, or two jumps follow one another without a step between.
    """
    paths = program.paths[layer]
    if leaps.shape != paths.shape[:2]:
        raise ValueError(f"jumps are told for {leaps.shape} points of a path of {paths.shape[:2]}")
    if samples is not None and not 0.0 <= samples <= LONGEST:
        raise ValueError(f"a jump takes 0 to {LONGEST:g} samples, not {samples}")
    if not 0.0 <= share <= 0.9:
        raise ValueError(f"jumps take a share of the cycle from 0 to 0.9, not {share}")
    if (leaps & np.roll(leaps, 1, axis=1)).any():
        raise ValueError("two jumps of a path follow one another; a stroke has at least one step")
    rows = int(leaps.sum(axis=1).max())
    program.record["layers"][layer]["jump_rows"] = rows
    if rows > 0:
        program.record["layers"][layer]["axes"] = 3
    program.jumps.pop(layer, None)
    if rows == 0:
        return
    size = float(np.ptp(paths.reshape(-1, 3), axis=0).max())
    table = np.zeros((len(paths), HEAD + ROW * rows))
    for frame, points, marks in zip(table, paths, leaps, strict=True):
        _lay_frame(frame, points, np.flatnonzero(marks), size, samples, share)
    program.jumps[layer] = table


def _lay_frame(
    frame: npt.NDArray[np.float64],
    points: npt.NDArray[np.float64],
    at: npt.NDArray[np.int64],
    size: float,
    samples: float | None,
    share: float,
) -> None:
    distance = np.linalg.norm(points[(at + 1) % len(points)] - points[at], axis=1)
    lasts = samples_for(distance, size) if samples is None else np.full(len(at), float(samples))
    total = float(lasts.sum())
    frame[:HEAD] = len(at), total, share / total if total > 0.0 else 0.0
    rows = frame[HEAD : HEAD + ROW * len(at)].reshape(-1, ROW)
    rows[:, 0] = at
    rows[:, 1] = np.cumsum(lasts) - lasts
    rows[:, 2] = lasts
    rows[:, 3:] = profile_of(lasts)


def leaps_of(table: npt.NDArray[np.float64], count: int) -> npt.NDArray[np.bool_]:
    """Return where a table has jumps, bool, shape (frames, count), as `lay_jumps` was told.

    Parameters
    ----------
    table : np.ndarray [shape=(frames, HEAD + ROW * rows), dtype=float64]
    count : int
        Points of a frame.
    """
    leaps = np.zeros((len(table), count), bool)
    for marks, frame in zip(leaps, table, strict=True):
        marks[frame[HEAD : HEAD + ROW * int(frame[0]) : ROW].astype(np.int64)] = True
    return leaps
