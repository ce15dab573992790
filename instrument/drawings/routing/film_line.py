"""The line of a film: contours of each frame in the order, direction and start of those of the frame before."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.limits import DEFAULT_LIMITS, DEFAULT_TOLERANCES, DrawingError, Limits
from instrument.drawings.readers.picture_contours import Tracing, contour_lines, levels_of, softened
from instrument.drawings.routing.closed_line import Figures, Route, StepKind, Timing, corner_steps
from instrument.drawings.strokes import Drawing

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from instrument.drawings.readers.film_frames import Film

    Progress = Callable[[str], None]

MARKS = 128
"""Points at equal distances by which two contours are compared."""

MOST_CONTOURS = 256
"""Contours of a frame; of more, the longest. They are matched each with each."""

MOST_POINTS = 4096
"""Points of a frame's line: some for each entry of the table it is sampled into."""

KEPT = 0.5
"""Share of the shortest length below which a contour vanishes that was there before, so that it does not flicker."""

REACH = 0.75
"""Radii of a contour and of what it becomes, together, by so many of which it may move and still be the same."""

STEADY = 1.25
"""Ratio up to which contours may grow or shrink before time is shared out anew."""

SEEN = 64
"""Frames from which the brightnesses to follow are chosen; one level for all, or the contours would breathe."""


@dataclass(frozen=True)
class _Contour:
    """One closed line of a frame, from where it is begun."""

    points: NDArray[np.complex128]
    length: float
    level: int
    area: float
    middle: complex
    weight: float = 0.0
    gap: float = 0.0

    @property
    def radius(self) -> float:
        return self.length / (2 * np.pi)

    def marks(self, count: int = MARKS) -> NDArray[np.complex128]:
        """Points at equal distances along it."""
        return self.places(np.linspace(0.0, self.length, count, endpoint=False))

    def places(self, along: NDArray[np.float64]) -> NDArray[np.complex128]:
        closed = np.append(self.points, self.points[0])
        upto = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(closed)))])
        return np.asarray(np.interp(along, upto, closed.real) + 1j * np.interp(along, upto, closed.imag))

    def begun(self, along: float) -> _Contour:
        """Return the same contour begun at a distance along it, between two points if need be."""
        closed = np.append(self.points, self.points[0])
        upto = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(closed)))])
        along %= float(upto[-1])
        row = int(np.searchsorted(upto, along, side="right")) - 1
        start = self.places(np.array([along]))
        rest = np.concatenate([self.points[row + 1 :], self.points[: row + 1]])
        rest = rest[:-1] if len(rest) > 3 and abs(rest[-1] - start[0]) < 1e-9 else rest
        return replace(self, points=np.concatenate([start, rest]))


def film_routes(
    film: Film, tracing: Tracing | None = None, limits: Limits = DEFAULT_LIMITS, progress: Progress | None = None
) -> tuple[list[Route], tuple[str, ...]]:
    """Trace every frame of a film and run over its contours as over those of the frame before.

    Parameters
    ----------
    film : Film
        Its frames are forgotten one by one.
    tracing : Tracing, optional
    limits : Limits
    progress : callable, optional
        Called with how far it has come.

    Returns
    -------
    routes : list of Route
        One a frame, in pixels of the film, y upwards, each with the timing by which frames are in step.
    warnings : tuple of str

    Raises
    ------
    DrawingError
        If no frame has a contour.
    """
    tracing = tracing or Tracing()
    count = len(film.frames)
    seen = np.concatenate(
        [film.frames[k].ravel() for k in sorted({*np.linspace(0, count - 1, SEEN).astype(int).tolist()})]
    )
    levels = levels_of(seen.astype(np.float64) / 255.0, tracing.levels)
    flip = np.array([film.scale[0], -film.scale[1]])
    line = _FilmLine()
    routes: list[Route] = []
    empty = 0
    latest: tuple[object, Route] | None = None
    for number, frame in enumerate(film.frames):
        if progress is not None and number % 25 == 0:
            progress(f"contours, frame {number + 1} of {count}")
        if latest is not None and latest[0] is frame:
            # A picture that stays for several frames is traced once.
            routes.append(latest[1])
            continue
        found = _contours(frame, levels, tracing, flip, limits)
        began = time.perf_counter()
        if line.follow(found, tracing.smallest * 2 * (frame.shape[0] * film.scale[1] + frame.shape[1] * film.scale[0])):
            routes.append(line.route(time.perf_counter() - began))
        elif routes:
            routes.append(routes[-1])
        empty += not line.drew
        if routes:
            latest = (frame, routes[-1])
    film.frames.clear()
    if not routes:
        raise DrawingError(
            "no contour was found in any frame; the film is blank, or its contrast too faint for these levels"
        )
    # Frames before the first contour show it already.
    routes = [routes[0]] * (count - len(routes)) + routes
    if not empty:
        return routes, ()
    return routes, (f"{empty:,} frame{'s' if empty > 1 else ''} without a contour keep the line of the one before",)


def _contours(
    frame: NDArray[np.uint8], levels: list[float], tracing: Tracing, flip: NDArray[np.float64], limits: Limits
) -> list[_Contour]:
    brightness = softened(frame / np.float32(255.0), tracing.blur)
    found = []
    for number, level in enumerate(levels):
        for line in contour_lines(brightness, [level], KEPT * tracing.smallest, limits):
            place = line[:-1] * flip
            points = place[:, 0] + 1j * place[:, 1]
            following = np.roll(points, -1)
            length = float(np.abs(following - points).sum())
            if len(points) > 2 and length > 0.0:
                area = float((points.conj() * following).imag.sum() / 2)
                found.append(_Contour(points, length, number, area, complex(points.mean())))
    found.sort(key=lambda contour: -contour.length)
    return _thinned(found[:MOST_CONTOURS])


def _thinned(found: list[_Contour]) -> list[_Contour]:
    total = sum(len(contour.points) for contour in found)
    if total <= MOST_POINTS:
        return found
    share = MOST_POINTS / total
    return [replace(one, points=one.marks(max(8, int(share * len(one.points))))) for one in found]


class _FilmLine:
    """The contours of the latest frame, in the order in which they are run over."""

    def __init__(self) -> None:
        self.order: list[_Contour] = []
        self.drew = False

    def follow(self, found: list[_Contour], shortest: float) -> bool:
        """Take the contours of the next frame; False where there are none, and nothing changes."""
        pairs = _matched(self.order, found)
        new = [one for k, one in enumerate(found) if k not in pairs.values() and one.length >= shortest]
        self.drew = bool(pairs or new)
        if not self.drew:
            return False
        kept = [_begun_like(found[pairs[k]], before) for k, before in enumerate(self.order) if k in pairs]
        steady = len(kept) == len(self.order) and not new and _in_step(kept)
        # After a cut hardly anything is kept, and an order that came from it would be none.
        if sum(one.length for one in kept) < 0.5 * sum(one.length for one in [*kept, *new]):
            new = sorted([*kept, *new], key=lambda one: -one.length)
            kept = []
        for one in new:
            _insert(kept, one)
        self.order = kept if steady else _shared_out(kept)
        return True

    def route(self, seconds: float) -> Route:
        """Return the line over the latest frame."""
        alone = len(self.order) == 1
        points = np.concatenate([one.points for one in self.order])
        sizes = np.array([len(one.points) for one in self.order])
        first = np.cumsum(sizes) - sizes
        rows = np.arange(len(points))
        if alone:
            walk, kinds = rows, np.zeros(len(rows), np.uint8)
        else:
            # Round each contour and back to its start; from there to the next.
            walk = np.insert(rows, np.append(first[1:], len(points)), first)
            kinds = np.zeros(len(walk), np.uint8)
            kinds[np.cumsum(sizes + 1) - 1] = StepKind.JUMP
        place = np.stack([points.real, points.imag, np.zeros(len(points))], axis=1)
        line = place[walk]
        lengths = np.linalg.norm(np.roll(line, -1, axis=0) - line, axis=1)
        lasts = lengths.copy()
        jumps = np.flatnonzero(kinds == StepKind.JUMP)
        lasts[kinds == StepKind.DRAWN] *= np.repeat([one.weight / one.length for one in self.order], sizes)
        lasts[jumps] = [one.gap for one in self.order][: len(jumps)]
        corners = corner_steps(line, DEFAULT_TOLERANCES.corner_degrees)
        edges = np.stack([rows, rows + 1], axis=1)
        edges[first + sizes - 1, 1] = first
        figures = Figures(
            edges=len(edges),
            vertices=len(points),
            components=len(self.order),
            odd_vertices=0,
            length=float(lengths[kinds == StepKind.DRAWN].sum()),
            repeated_length=0.0,
            lower_bound=0.0,
            jump_length=float(lengths[jumps].sum()),
            bridge_length=0.0,
            jumps=len(jumps),
            corners=int(corners.sum()),
            exact=True,
            slack=0.0,
            seconds=seconds,
        )
        return Route(Drawing(place, edges), walk, kinds, figures, timing=Timing(lasts, corners))


def _matched(before: list[_Contour], after: list[_Contour]) -> dict[int, int]:
    """Find what each contour has become: pairs of least movement and growth, none beyond its reach."""
    from scipy.optimize import linear_sum_assignment

    if not before or not after:
        return {}
    middle = np.array([one.middle for one in before])[:, None] - np.array([one.middle for one in after])
    radius = np.array([one.radius for one in before])[:, None], np.array([one.radius for one in after])
    cost = np.abs(middle) + np.abs(radius[0] - radius[1])
    level = np.array([one.level for one in before])[:, None] != np.array([one.level for one in after])
    turned = np.array([one.area > 0 for one in before])[:, None] != np.array([one.area > 0 for one in after])
    far = (cost > REACH * (radius[0] + radius[1])) | level | turned
    never = 1e3 * (1.0 + float(cost.max()))
    rows, columns = linear_sum_assignment(np.where(far, never, cost))
    return {int(k): int(j) for k, j in zip(rows, columns, strict=True) if not far[k, j]}


def _begun_like(one: _Contour, before: _Contour) -> _Contour:
    """Begin a contour where its points lie closest to those of what it was; it keeps the time of that."""
    # As in `sampling.best_alignment`, but between marks too: the vertex of the parabola through the best three.
    spectrum = np.fft.fft(one.marks()) * np.fft.fft(before.marks()).conj()
    alike = np.fft.ifft(spectrum).real
    best = int(np.argmax(alike))
    left, top, right = alike[best - 1], alike[best], alike[(best + 1) % MARKS]
    bend = left - 2 * top + right
    aside = 0.5 * (left - right) / bend if bend < 0 else 0.0
    begun = one.begun((best + aside) * one.length / MARKS)
    return replace(begun, weight=before.weight, gap=before.gap)


def _in_step(kept: list[_Contour]) -> bool:
    return all(1 / STEADY < one.weight / one.length < STEADY for one in kept)


def _insert(order: list[_Contour], one: _Contour) -> None:
    """Put a contour where it makes the jumps least longer, begun at its point nearest to the one before."""
    if not order:
        order.append(one)
        return
    starts = np.array([other.points[0] for other in order])
    following = np.roll(starts, -1)
    away = np.abs(starts - one.middle) + np.abs(following - one.middle) - np.abs(following - starts)
    place = int(np.argmin(away))
    nearest = int(np.argmin(np.abs(one.points - starts[place])))
    order.insert(place + 1, replace(one, points=np.roll(one.points, -nearest)))


def _shared_out(order: list[_Contour]) -> list[_Contour]:
    """Give every contour, and the jump behind it, the time that it is long."""
    starts = np.array([one.points[0] for one in order])
    gaps = np.abs(np.roll(starts, -1) - starts)
    return [replace(one, weight=one.length, gap=float(gap)) for one, gap in zip(order, gaps, strict=True)]
