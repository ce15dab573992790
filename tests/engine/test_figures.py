"""Figures that the handbooks of the oscilloscope describe, drawn by the whole engine."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.engine.playing import RATE, bare_program, exact, started, terms
from tests.reference.lissajous import RATIOS, phase_from_intercept
from tests.reference.pitch import A4_HZ

if TYPE_CHECKING:
    from numpy.typing import NDArray

ROUND = 6000
"""Samples of one round of a figure."""


def figure(
    x: tuple[float, float, float], y: tuple[float, float, float], frequency: float = RATE / ROUND
) -> NDArray[np.float64]:
    """Return one second of a figure of one term, (amplitude, ratio, phase), on each axis."""
    program = bare_program()
    program.draw_harmonic(0, (terms(x), terms(y), terms()))
    program.set("layer.1.pen.frequency", frequency)
    program.schedule()
    return exact(started(program), int(RATE))


def touches(signal: NDArray[np.float64], side: float) -> int:
    """Count how often one round of a channel reaches a side and turns back."""
    around = np.concatenate([signal[ROUND - 1 : ROUND], signal[: ROUND + 1]]) * np.sign(side)
    middle = around[1:-1]
    turning = (middle > around[:-2]) & (middle >= around[2:]) & (middle > abs(side) * (1 - 1e-4))
    return int(np.count_nonzero(turning))


def test_sine_and_cosine_draw_a_circle() -> None:
    found = figure((0.5, 1, 0.25), (0.5, 1, 0))
    np.testing.assert_allclose(np.hypot(*found.T), 0.5, rtol=1e-12)


def test_sine_and_cosine_are_one_signal_a_quarter_of_a_round_apart() -> None:
    found = figure((0.5, 1, 0.25), (0.5, 1, 0))
    np.testing.assert_allclose(found[: -ROUND // 4, 0], found[ROUND // 4 :, 1], atol=1e-9)


def test_a_circle_at_a4_goes_round_440_times_a_second() -> None:
    found = figure((0.5, 1, 0.25), (0.5, 1, 0), A4_HZ)
    angle = np.unwrap(np.arctan2(found[:, 1], found[:, 0])) / (2 * np.pi)
    turned = (angle[-1] - angle[0]) / (len(angle) - 1) * RATE
    assert turned == pytest.approx(A4_HZ, rel=1e-9)


@pytest.mark.parametrize(("a", "b"), RATIOS)
def test_a_figure_of_a_to_b_touches_the_upright_sides_a_and_the_level_sides_b_times(a: int, b: int) -> None:
    found = figure((0.5, a, 0.07), (0.25, b, 0.0))
    assert [touches(found[:, 0], side) for side in (0.5, -0.5)] == [a, a]
    assert [touches(found[:, 1], side) for side in (0.25, -0.25)] == [b, b]


@pytest.mark.parametrize("phase", [0.0, 1 / 12, 0.1, 1 / 8, 0.2, 0.25])
def test_the_ellipses_intercept_shows_the_phase_between_the_channels(phase: float) -> None:
    found = figure((0.5, 1, 0), (0.4, 1, phase))
    x, y = found.T
    rising = np.flatnonzero((x[:-1] < 0.0) & (x[1:] >= 0.0))[0]
    share = -x[rising] / (x[rising + 1] - x[rising])
    intercept = y[rising] + share * (y[rising + 1] - y[rising])
    assert phase_from_intercept(min(intercept / y.max(), 1.0), 1.0) == pytest.approx(phase, abs=3e-4)


def test_without_a_phase_between_them_the_channels_draw_a_straight_line() -> None:
    x, y = figure((0.5, 1, 0.1), (0.25, 1, 0.1)).T
    np.testing.assert_allclose(y, x / 2, atol=1e-15)


@pytest.mark.parametrize("leaves", [3, 5, 7])
def test_a_rose_has_its_leaves(leaves: int) -> None:
    # r = cos(k t) with odd k has k leaves; cos(k t) cos(t) = (cos((k+1) t) + cos((k-1) t)) / 2, likewise with sin t.
    program = bare_program()
    up, down = leaves + 1, leaves - 1
    x = terms((0.4, up, 0.25), (0.4, down, 0.25))
    y = terms((0.4, up, 0.0), (-0.4, down, 0.0))
    program.draw_harmonic(0, (x, y, terms()))
    program.set("layer.1.pen.frequency", RATE / ROUND)
    program.schedule()
    found = exact(started(program), ROUND)
    turn = 2 * np.pi * np.arange(1, ROUND + 1) / ROUND
    radius = 0.8 * np.cos(leaves * turn)
    np.testing.assert_allclose(found, np.stack([radius * np.cos(turn), radius * np.sin(turn)], 1), atol=1e-9)
