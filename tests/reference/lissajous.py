"""Known properties of figures on an XY display.

Sources
-------
Quadrature: sine and cosine are one oscillation a quarter period apart; together they draw a circle
(any textbook of trigonometry).
Tangencies: where x and y have frequencies a : b (whole, without common divisor), the figure touches
each vertical side, where x is largest, a times a round, and each horizontal side b times; the classic
frequency comparison on an oscilloscope (handbooks of the oscilloscope, common practice, no source).
Ellipse method: of two sines of one frequency, sin(phase) = intercept / maximum, both measured on the
same axis with the figure centred (handbooks of the oscilloscope, common practice, no source).
"""

from __future__ import annotations

import math

RATIOS: tuple[tuple[int, int], ...] = ((1, 1), (1, 2), (2, 1), (2, 3), (3, 2), (3, 4), (5, 4), (5, 7))


def phase_from_intercept(intercept: float, maximum: float) -> float:
    """Return the phase difference in turns, between 0 and a quarter, by the ellipse method."""
    return math.asin(intercept / maximum) / (2 * math.pi)
