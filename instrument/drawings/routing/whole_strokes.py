"""Tables of the strokes alone: each cut into a whole number of steps, so that every jump lies between two points."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.routing.closed_line import StepKind

if TYPE_CHECKING:
    from numpy.typing import NDArray


def strokes_between_jumps(
    times: NDArray[np.float64], kinds: NDArray[np.uint8]
) -> tuple[NDArray[np.int64], NDArray[np.int64], bool]:
    """Return where strokes that take any time begin and end among the knots, and whether the last runs on into the first.

    Parameters
    ----------
    times : ndarray of float64, shape (k + 1,)
        Time of each knot, from 0; a jump takes none.
    kinds : ndarray of uint8, shape (k,)
        The `StepKind` of each step from knot to knot.

    Examples
    --------
    >>> first, last, runs_on = strokes_between_jumps(np.array([0.0, 1, 1, 3, 3]), np.array([0, 2, 0, 2], np.uint8))
    >>> first.tolist(), last.tolist(), runs_on
    ([0, 2], [1, 3], False)
    """
    jumps = np.flatnonzero(kinds == StepKind.JUMP)
    first = np.concatenate([[0], jumps + 1])
    last = np.concatenate([jumps, [len(kinds)]])
    runs_on = bool(len(jumps) and times[last[0]] > 0.0 and times[-1] > times[first[-1]])
    lasting = times[last] > times[first]
    return first[lasting], last[lasting], runs_on


def sample_strokes(
    times: NDArray[np.float64], knots: NDArray[np.float64], kinds: NDArray[np.uint8], count: int
) -> tuple[NDArray[np.float64], NDArray[np.uint8], NDArray[np.bool_]] | None:
    """Take points along the strokes, at times as equal as whole steps in each stroke allow.

    Parameters
    ----------
    times : ndarray of float64, shape (k + 1,)
        Time of each knot, from 0; a jump takes none.
    knots : ndarray of float64, shape (k + 1, 3)
        Ends of the steps, the first point repeated at the end.
    kinds : ndarray of uint8, shape (k,)
        The `StepKind` of each step.
    count : int
        Points to take.

    Returns
    -------
    points : ndarray of float64, shape (count, 3)
    kinds : ndarray of uint8, shape (count,)
        Of the step that each point lies on.
    leaps : ndarray of bool, shape (count,)
        Whether the way to the next point (from the last to the first) is a jump.
    None instead, where there are no jumps, or too few points for two in each stroke.

    Notes
    -----
    A stroke is run through faster or slower than another by at most one part in twice its steps. Strokes shorter than a
    step have one.
    """
    first, last, runs_on = strokes_between_jumps(times, kinds)
    if not (kinds == StepKind.JUMP).any() or count < 2 * len(first) or len(first) == 0:
        return None
    # A stroke has a point more than steps, but for the last where the line's own beginning is its end.
    steps = _whole_steps(times[last] - times[first], count - len(first) + runs_on)
    ends = [False] * (len(first) - 1) + [runs_on]
    points, found, leaps = [], [], []
    for a, b, n, open_end in zip(first.tolist(), last.tolist(), steps.tolist(), ends, strict=True):
        at = np.linspace(times[a], times[b], n + 1)[: n if open_end else n + 1]
        points.append(np.stack([np.interp(at, times[a : b + 1], knots[a : b + 1, axis]) for axis in range(3)], axis=1))
        step = np.clip(np.searchsorted(times[a : b + 1], at, side="right") - 1, 0, b - a - 1)
        found.append(kinds[a + step])
        leaps.append(np.arange(len(at)) == (n if not open_end else -1))
    return np.concatenate(points), np.concatenate(found), np.concatenate(leaps)


def _whole_steps(lasts: NDArray[np.float64], count: int) -> NDArray[np.int64]:
    # At least one step each; the rest in proportion, by largest remainders.
    steps = np.ones(len(lasts), np.int64)
    free = count - len(lasts)
    # A stroke that is shorter than a step must not take from the others more than that.
    wanted = np.maximum(lasts * (count / lasts.sum()) - 1.0, 0.0)
    shares = wanted * (free / wanted.sum()) if wanted.sum() > 0.0 else np.full(len(lasts), free / len(lasts))
    steps += np.floor(shares + 1e-9).astype(np.int64)
    order = np.argsort(-(shares - np.floor(shares + 1e-9)), kind="stable")
    steps[order[: max(count - int(steps.sum()), 0)]] += 1
    return steps


def turned_leaps(leaps: NDArray[np.bool_], shift: int, *, backwards: bool) -> NDArray[np.bool_]:
    """Return which ways to the next point are jumps once a closed path begins at `shift`, as `sampling.aligned` turns it.

    Examples
    --------
    >>> turned_leaps(np.array([True, False, False]), 1, backwards=True).tolist()
    [True, False, False]
    """
    # Backwards, the way from point i leads to i - 1: it is the one that led from i - 1 to i.
    return np.roll(leaps[::-1], shift) if backwards else np.roll(leaps, -shift)
