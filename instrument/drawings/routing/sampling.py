"""Tables of points at constant pen speed, which the engine plays, and their alignment frame by frame."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeVar

import numpy as np

from instrument.drawings.routing.closed_line import Figures, Route, StepKind, Timing, sharp_corners
from instrument.drawings.routing.whole_strokes import sample_strokes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Box = tuple[NDArray[np.float64], NDArray[np.float64]]

STRAIGHT_SPEED = 16.0
"""Speed on jumps that are not eased, in speeds on the line: dim, and of the time that they take little (our choice)."""


@dataclass(frozen=True)
class Sampling:
    """Speeds and rests of the pen along the line.

    Attributes
    ----------
    points : int or None
        Points in the table, at least 2. None: enough for the drawing, see `default_point_count`.
    jump_speed : float or None
        How many times faster than on the line the pen runs straight through the air; more than 0, may be infinite. None:
        jumps take no time in the table and are marked in it, so that the engine eases them at the pitch that is played.
    bridge_speed : float
        The same along undrawn edges. The faster, the dimmer.
    corner_dwell : float
        Share of the whole cycle that is spent resting on the corners, 0 to less than 1; they become brighter by it.
    fit : {"box", "original"}
        Centre and scale to the unit cube, or keep the coordinates.
    most : int or None
        Points at most where `points` is None: the default is halved until it fits, so that a table stays evenly spaced.
    most_of_all : int or None
        Coordinates of all frames together at most, in the same way.
    """

    points: int | None = None
    jump_speed: float | None = None
    bridge_speed: float = 16.0
    corner_dwell: float = 0.0
    fit: Literal["box", "original"] = "box"
    most: int | None = None
    most_of_all: int | None = None

    def __post_init__(self) -> None:
        """Refuse speeds and shares that mean nothing."""
        if self.points is not None and self.points < 2:
            raise ValueError(f"points must be at least 2 (got {self.points})")
        for name in ("jump_speed", "bridge_speed"):
            value = getattr(self, name)
            if value is not None and not value > 0:
                raise ValueError(f"{name} must be a number above 0 (got {value})")
        if not 0.0 <= self.corner_dwell < 1.0:
            raise ValueError(f"corner_dwell must be in the range 0 to less than 1 (got {self.corner_dwell})")
        if self.fit not in {"box", "original"}:
            raise ValueError(f"fit must be 'box' or 'original' (got {self.fit!r})")
        if self.most is not None and self.most < 2:
            raise ValueError(f"most must be at least 2 (got {self.most})")

    def count(self, wanted: int, frames: int = 1, axes: int = 3) -> int:
        """Return the points of a table for a drawing that wants so many in each of its frames."""
        if self.points is not None:
            return self.points
        most = math.inf if self.most is None else self.most
        if self.most_of_all is not None and frames > 1:
            # Each frame repeats its first point.
            most = min(most, self.most_of_all // (frames * axes) - 1)
        while wanted > most and wanted > 2:
            wanted //= 2
        return wanted


@dataclass(frozen=True)
class SampledLine:
    """One routed line as a table of points, which the engine takes.

    Attributes
    ----------
    points : ndarray of float64, shape (n, 3)
        One cycle at constant pen speed; the first point is not repeated. Within -1 to 1 when fitted.
    kinds : ndarray of uint8, shape (n,)
        The `StepKind` of line each point lies on.
    leaps : ndarray of bool, shape (n,)
        Where the way to the next point (from the last to the first) is a jump that takes no time in this table.
    corners : int
        Corners in the cycle: below this many samples a cycle the drawing blurs.
    figures : Figures
    warnings : tuple of str
    """

    points: NDArray[np.float64]
    kinds: NDArray[np.uint8]
    leaps: NDArray[np.bool_]
    corners: int
    figures: Figures
    warnings: tuple[str, ...] = ()


def sample(found: Route, sampling: Sampling | None = None, box: Box | None = None) -> SampledLine:
    """Run over the line at constant speed and take points at equal times.

    Parameters
    ----------
    found : Route
    sampling : Sampling, optional
    box : tuple of two ndarray of float64, shape (3,)
        Lowest and highest coordinates of what is fitted; by default the line's own. The frames of a flip-book
        share one.

    Returns
    -------
    SampledLine

    See Also
    --------
    best_alignment : where the next frame of a flip-book should begin.
    instrument.patch.figures.resample : the same for corners that are in the patch itself.
    """
    sampling = sampling or Sampling()
    line = found.line
    if sampling.fit == "box":
        line = fit_to_box(line, box)
    # Constant speed is equal times: the step under the pen at each time by bisection, the point on it by its share of time.
    speed = sampling.jump_speed
    count = sampling.count(default_point_count(found))
    if speed is None and found.timing is None:
        table = sample_strokes(*_timetable(line, found.kinds, replace(sampling, jump_speed=math.inf), None), count)
        if table is not None:
            return SampledLine(*table, found.figures.corners, found.figures, found.warnings)
    # Hardly a point for each stroke, no jump at all, or frames in step, whose points must stay where they are.
    speed = speed or STRAIGHT_SPEED
    times, knots, kinds = _timetable(line, found.kinds, replace(sampling, jump_speed=speed), found.timing)
    at = np.arange(count) * (times[-1] / count)
    step = np.clip(np.searchsorted(times, at, side="right") - 1, 0, len(kinds) - 1)
    lasts = times[step + 1] - times[step]
    share = np.where(lasts > 0, (at - times[step]) / np.where(lasts > 0, lasts, 1), 0.0)
    points = knots[step] + share[:, None] * (knots[step + 1] - knots[step])
    leaps = np.zeros(count, bool)
    return SampledLine(points, kinds[step], leaps, found.figures.corners, found.figures, found.warnings)


def default_point_count(found: Route) -> int:
    """Table size that shows every corner: eight points for each step of the line, as a power of two.

    Returns
    -------
    int
        From 4,096 to 1,048,576.
    """
    # A power of two, so that a table can be thinned to every second point and stay evenly spaced.
    return int(2 ** np.clip(math.ceil(math.log2(8 * len(found.walk))), 12, 20))


def fit_to_box(points: NDArray[np.float64], box: Box | None = None) -> NDArray[np.float64]:
    """Centre points and scale them so that the largest extent runs from -1 to 1.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 3)
    box : tuple of two ndarray of float64, shape (3,)
        Lowest and highest coordinates; by default those of the points.

    Returns
    -------
    ndarray of float64, shape (n, 3)

    Examples
    --------
    >>> fit_to_box(np.array([[0.0, 0, 0], [4, 2, 0]])).tolist()
    [[-1.0, -0.5, 0.0], [1.0, 0.5, 0.0]]
    """
    low, high = (points.min(axis=0), points.max(axis=0)) if box is None else box
    half = 0.5 * float((high - low).max())
    # Half of each, not half of the sum: the sum of two large numbers might not be one.
    centred = points - (0.5 * low + 0.5 * high)
    return np.asarray(np.clip(centred / half, -1.0, 1.0)) if half > 0 else centred


def _timetable(
    line: NDArray[np.float64], kinds: NDArray[np.uint8], sampling: Sampling, timing: Timing | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.uint8]]:
    """Return times and points of the steps' ends, and the kind of each step; a rest is a step on the spot."""
    step = np.roll(line, -1, axis=0) - line
    lasts = np.sqrt(np.einsum("ij,ij->i", step, step)) if timing is None else timing.lasts
    lasts = np.where(kinds == StepKind.JUMP, lasts / (sampling.jump_speed or math.inf), lasts)
    lasts = np.where(kinds == StepKind.BRIDGE, lasts / sampling.bridge_speed, lasts)
    if sampling.corner_dwell > 0:
        rests = np.flatnonzero(sharp_corners(line) if timing is None else timing.rests)
        share = sampling.corner_dwell / (1.0 - sampling.corner_dwell)
        rest = lasts.sum() * share / max(len(rests), 1)
        line = np.insert(line, rests, line[rests], axis=0)
        kinds = np.insert(kinds, rests, np.where(kinds[rests] >= StepKind.JUMP, StepKind.DRAWN, kinds[rests]))
        lasts = np.insert(lasts, rests, rest)
    times = np.concatenate([[0.0], np.cumsum(lasts)])
    return times, np.concatenate([line, line[:1]]), kinds


Scalar = TypeVar("Scalar", bound=np.generic)


def best_alignment(path: NDArray[np.float64], towards: NDArray[np.float64]) -> tuple[int, bool]:
    """Find where a closed path should begin, and which way round it should run, to lie close to another.

    Parameters
    ----------
    path, towards : ndarray of float64, shape (n, 3)

    Returns
    -------
    shift : int
        The row of `path` to begin with.
    backwards : bool
        Whether to run down from there.

    Notes
    -----
    The summed squared distance is least where the circular cross-correlation is largest; all n shifts at once
    by the fast Fourier transform.

    Examples
    --------
    >>> square = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    >>> best_alignment(square[[2, 1, 0, 3]], square)
    (2, True)
    """
    if path.shape != towards.shape:
        raise ValueError(f"paths must have the same shape (got {path.shape} and {towards.shape})")
    # Sum of |p[i + s] - q[i]|^2 over i is |p|^2 + |q|^2 - 2 sum p[i + s] q[i]: only the last term depends on the shift s, and
    # the correlation theorem gives it for all s at once.
    target = np.fft.rfft(towards, axis=0)
    best = (-np.inf, 0, False)
    for backwards in (False, True):
        spectrum = np.fft.rfft(path[::-1] if backwards else path, axis=0)
        likeness = np.fft.irfft(spectrum * target.conj(), len(path), axis=0).sum(axis=1)
        shift = int(np.argmax(likeness))
        # Only a clear gain turns a path round: rounding must not decide it.
        if likeness[shift] > best[0] + 1e-9 * abs(float(likeness[shift])):
            best = (float(likeness[shift]), shift, backwards)
    _, shift, backwards = best
    return (len(path) - 1 - shift, True) if backwards else (shift, False)


def aligned(rows: NDArray[Scalar], shift: int, *, backwards: bool) -> NDArray[Scalar]:
    """Begin a closed path's rows at `shift`, upwards or downwards from there.

    Examples
    --------
    >>> aligned(np.array([0, 1, 2, 3]), 1, backwards=True).tolist()
    [1, 0, 3, 2]
    """
    return np.roll(rows[::-1], shift + 1, axis=0) if backwards else np.roll(rows, -shift, axis=0)
