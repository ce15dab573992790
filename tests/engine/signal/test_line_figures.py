"""Globe, landscape and strings against what is known of them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.engine.signal.test_curve_figures import ROUND, continuous, drawn


@pytest.mark.parametrize(("parallels", "meridians"), [(0, 1), (1, 2), (5, 4), (2.5, 3.25), (60, 1000)])
def test_all_of_a_globe_lies_on_the_unit_sphere(parallels: float, meridians: float) -> None:
    points = drawn("globe", 2 * ROUND, parallels=parallels, meridians=meridians)
    np.testing.assert_allclose(np.linalg.norm(points, axis=1), 1.0, rtol=1e-12)


def test_a_globe_has_its_parallels_at_equal_angles_and_its_meridians_too() -> None:
    points = drawn("globe", 10 * ROUND, parallels=3, meridians=2)
    level = np.abs(np.diff(points[:, 1])) < 1e-12
    heights = np.unique(np.round(points[:-1, 1][level], 9))
    np.testing.assert_allclose(heights, np.sin(np.radians([-45, 0, 45])), atol=1e-9)
    others = points[:-1][~level]
    away = others[np.abs(others[:, 1]) < 0.9]
    # On a circle through both poles x and z are in one proportion: the two circles stand at right angles.
    assert (np.minimum(np.abs(away[:, 0]), np.abs(away[:, 2])) < 0.05).mean() > 0.9


def test_a_globe_is_drawn_at_constant_speed() -> None:
    steps = np.linalg.norm(np.diff(drawn("globe", parallels=5, meridians=4), axis=0), axis=1)
    length = 2 * math.pi * (4 + sum(math.sin(math.pi * k / 6) for k in range(1, 6)))
    np.testing.assert_allclose(np.median(steps), length / ROUND, rtol=1e-3)


def test_a_parallel_grows_out_of_the_pole() -> None:
    whole, more = (drawn("globe", parallels=p) for p in (3.0, 3.0 + 1e-9))
    np.testing.assert_allclose(whole, more, atol=1e-6)


def test_a_flat_landscape_is_a_sheet_of_even_rows() -> None:
    points = drawn("landscape", 4 * ROUND, rows=8, relief=0)
    assert (points[:, 1] == 0).all()
    rows, counts = np.unique(np.round(points[:, 2], 9), return_counts=True)
    np.testing.assert_allclose(rows[counts > 40], np.linspace(-1, 1, 8), atol=1e-9)
    assert np.abs(points[:, 0]).max() <= 1


def test_hills_are_no_higher_than_their_relief_and_another_seed_has_others() -> None:
    one, other = (drawn("landscape", relief=0.5, seed=seed, rough=1.0) for seed in (1, 2))
    assert 0.1 < np.abs(one[:, 1]).max() <= 0.5
    assert not np.allclose(one[:, 1], other[:, 1], atol=0.01)


def test_a_drift_of_a_hill_moves_the_hills_by_a_third_of_the_way() -> None:
    # With four rows the lines lie two thirds apart, which is one hill of the three.
    points = [drawn("landscape", 4 * ROUND, rows=4, drift=drift, rough=0) for drift in (0.0, 1.0)]
    height = [{z: p[np.isclose(p[:, 2], z)] for z in (-1.0, -1 / 3, 1 / 3, 1.0)} for p in points]
    for here, there in ((-1.0, -1 / 3), (-1 / 3, 1 / 3), (1 / 3, 1.0)):
        moved, before = height[1][here], height[0][there]
        at = np.linspace(-0.9, 0.9, 50)
        lines = [np.interp(at, *line[np.argsort(line[:, 0])][:, :2].T) for line in (moved, before)]
        np.testing.assert_allclose(lines[0], lines[1], atol=0.01)


@pytest.mark.parametrize(("times", "size", "cusps"), [(2, 3, 1), (3, 4, 2)], ids=["cardioid", "nephroid"])
def test_strings_of_one_circle_touch_the_known_caustic(times: int, size: int, cusps: int) -> None:
    # The epicycloid that the chords from angle a to angle times a envelop: ((times e**(i a) + e**(i times a)) / (times + 1)).
    points = drawn("strings", 100 * ROUND, strings=48, times=times)[:, :2]
    a = np.linspace(0, 2 * np.pi, 721)
    curve = (times * np.exp(1j * a) + np.exp(1j * times * a)) / (times + 1)
    assert size == times + 1
    assert cusps == times - 1
    inside = points[:, 0] + 1j * points[:, 1]
    k = 5
    start, end = np.exp(2j * np.pi * k / 48), np.exp(2j * np.pi * times * k / 48)
    normal = 1j * (end - start) / abs(end - start)
    distance = ((curve - start) * np.conj(normal)).real
    # It touches: its nearest point lies on the string, and it does not pass to the other side beside it.
    touch = int(np.argmin(np.abs(curve - (times * start + end) / (times + 1))))
    assert abs(distance[touch]) < 1e-6
    assert np.abs(distance[touch - 3 : touch + 4]).max() < 1e-2
    assert np.abs(inside - (times * start + end) / (times + 1)).min() < 0.02


def test_strings_between_two_levels_lie_on_a_hyperboloid() -> None:
    # x**2 + y**2 = cos(half the offset)**2 + (sin(half the offset) * z / rise)**2 for every string.
    points = drawn("strings", 4 * ROUND, strings=24, times=1, offset=0.25, rise=0.6)
    between = points[np.abs(points[:, 2]) < 0.59]
    left = (between[:, :2] ** 2).sum(axis=1)
    np.testing.assert_allclose(left, 0.5 + 0.5 * (between[:, 2] / 0.6) ** 2, atol=1e-9)


@pytest.mark.parametrize("strings", [1, 2, 3, 7, 40, 10.5])
def test_strings_are_one_line_without_a_jump(strings: float) -> None:
    assert continuous("strings", strings=strings, times=2.4, offset=0.1, second=0.4, rise=0.3)
