"""Plots of modulators: their shape over one cycle, and the frame in which it lies."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from instrument.engine.parameters import MODULATOR

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

Points = list[tuple[float, float]]
"""Phases in the cycle, 0 to 1, and values."""

_LINE = 24
"""Straight pieces that a bent line is drawn with."""

STAGES = ("delay", "attack", "hold", "decay", "sustain", "release")

WAVES = next(row.choices for row in MODULATOR if row.name == "shape")
"""Waveforms of an LFO, in the order of their numbers."""

_STEEPEST = 100.0
_HUGE = 1e30
"""Bounds that the engine keeps steepnesses and values within."""


# The shapes below are drawn here and not asked of the engine, whose kernels have no door to Python; a test holds each of
# them against what the engine plays, over bends and numbers of every kind.


def lfo_name(shape: float) -> str:
    """Return the name of the waveform that an LFO draws with any number for its shape.

    Examples
    --------
    >>> lfo_name(2.0), lfo_name(-1e308), lfo_name(float("inf"))
    ('saw', 'sine', 'falling saw')
    """
    return WAVES[0 if math.isnan(shape) else int(min(max(shape, 0.0), len(WAVES) - 1.0) + 0.5)]


def lfo_shape(shape: str, width: float, count: int = 96) -> Points:
    """Return one cycle of a waveform of `WAVES`, in so many pieces."""
    return [(k / count, _finite(_wave(shape, k / count, width))) for k in range(count + 1)]


def _wave(shape: str, turns: float, width: float) -> float:
    if shape == "triangle":
        if turns < width:
            return 2.0 * (turns / width) - 1.0
        # At a width of 1 the fall has no length.
        return 1.0 - 2.0 * ((turns - width) / (1.0 - width)) if width != 1.0 else 1.0
    if shape == "square":
        return 1.0 if turns < width else -1.0
    saw = 2.0 * turns - 1.0
    return {"saw": saw, "falling saw": -saw}.get(shape, math.sin(2 * math.pi * turns))


def _finite(value: float) -> float:
    return 0.0 if math.isnan(value) else min(max(value, -_HUGE), _HUGE)


def bent(u: float, steepness: float) -> float:
    """Return (e**(b u) - 1) / (e**b - 1) for the steepness b, and exactly u where it is 0 or no number.

    Examples
    --------
    >>> bent(0.5, 0.0), bent(1.0, 3.0)
    (0.5, 1.0)
    """
    b = 0.0 if math.isnan(steepness) else min(max(steepness, -_STEEPEST), _STEEPEST)
    return u if abs(b) < 1e-4 else math.expm1(b * u) / math.expm1(b)


def curve_shape(rows: Sequence[Sequence[float]]) -> Points:
    """Return the line through breakpoints [time, value, bend]."""
    found: Points = [(0.0, rows[0][1])] if rows else []
    for before, after in itertools.pairwise(rows):
        pieces = 1 if before[2] == 0 else _LINE
        for k in range(pieces):
            u = k / pieces
            value = before[1] + (after[1] - before[1]) * bent(u, before[2])
            found.append((before[0] + (after[0] - before[0]) * u, value))
    return [*found, (rows[-1][0], rows[-1][1]), (1.0, rows[-1][1])] if rows else []


def steps_shape(rows: Sequence[Sequence[float]]) -> Points:
    """Return the line of steps [value, glide, probability, gate]; a step that may be left out is drawn as played."""
    level = 0.0
    found: Points = []
    # Twice, since the first one begins where the last one of the cycle before has ended.
    for _ in range(2):
        found = []
        for k, step in enumerate(rows):
            line = _step_line(step, level)
            found += [((k + share) / len(rows), value) for share, value in line]
            level = line[-1][1]
    return found


def _step_line(step: Sequence[float], start: float) -> Points:
    # Shares of one step, and values: the glide, which may be longer than the step, up to the gate, then nothing.
    value, glide, _, gate = step
    gate = min(max(gate, 0.0), 1.0)

    def at(share: float) -> float:
        return start + (value - start) * (share / glide if share < glide else 1.0)

    corners = [share for share in (max(glide, 0.0), gate) if share <= gate]
    line = [(0.0, start), *((share, at(share)) for share in corners)]
    return line if gate == 1.0 else [*line, (gate, 0.0), (1.0, 0.0)]


def envelope_shape(value: Callable[[str], float]) -> tuple[Points, dict[str, tuple[float, float]]]:
    """Return the line of an envelope, and where each stage begins and ends, 0 to 1.

    Parameters
    ----------
    value : callable
        Returns a parameter of the envelope by its name.
    """
    times = {name: max(value(name), 0.0) for name in ("delay", "attack", "hold", "decay", "release")}
    times = {name: min(time, _HUGE) if math.isfinite(time) else 0.0 for name, time in times.items()}
    sustain = _finite(value("sustain"))
    total = sum(times.values()) or 1.0
    times["sustain"] = 0.25 * total
    total += times["sustain"]
    ends = {
        "delay": (0.0, 0.0, 0.0),
        "attack": (0.0, 1.0, value("bend.attack")),
        "hold": (1.0, 1.0, 0.0),
        "decay": (1.0, sustain, value("bend.decay")),
        "sustain": (sustain, sustain, 0.0),
        "release": (sustain, 0.0, value("bend.release")),
    }
    found: Points = []
    places: dict[str, tuple[float, float]] = {}
    at = 0.0
    for name in STAGES:
        begin, end, bend = ends[name]
        places[name] = at / total, (at + times[name]) / total
        for k in range(_LINE + 1):
            u = k / _LINE
            found.append(((at + times[name] * u) / total, begin + (end - begin) * bent(u, bend)))
        at += times[name]
    return found, places


MARGIN = 0.1
"""Left free above and below."""


@dataclass(frozen=True)
class PlotFrame:
    """Values at the lower and the upper edge, both finite; their distance may be more than a number holds."""

    low: float
    high: float

    @classmethod
    def around(cls, line: Points) -> PlotFrame:
        """Return the frame in which a line and -1 to 1 have room."""
        values = [value for _, value in line if math.isfinite(value)]
        low, high = min([-1.0, *values]) - MARGIN, max([1.0, *values]) + MARGIN
        return cls(low, high)

    def pixels(self, points: Points, wide: int, tall: int) -> tuple[tuple[int, int], ...]:
        """Return where points lie in a plot of some pixels; those that are no numbers are left out.

        Examples
        --------
        >>> PlotFrame.around([(0.0, 1e308), (1.0, -1e308)]).pixels([(0.5, 0.0), (math.nan, 0.0)], 100, 50)
        ((50, 25),)
        """
        # Halves, since the whole distance may be infinite.
        span = 0.5 * self.high - 0.5 * self.low
        return tuple(
            (
                round(min(max(x, 0.0), 1.0) * wide),
                round(min(max((0.5 * self.high - 0.5 * y) / span, 0.0), 1.0) * tall),
            )
            for x, y in points
            if math.isfinite(x) and math.isfinite(y)
        )

    def value(self, down: float) -> float:
        """Return the value at a share of the height, from the top.

        Examples
        --------
        >>> PlotFrame(-1.0, 1.0).value(0.25), PlotFrame(-1e308, 1e308).value(0.5)
        (0.5, 0.0)
        """
        return (1.0 - down) * self.high + down * self.low
