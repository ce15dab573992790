"""The frame of a plot: which values it spans, whatever they are, and where they lie in pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from instrument.window.widgets.modulator_shapes import Points

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
