"""Forms that bend space, against their formulas written out in NumPy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from tests.engine.forming import Bench, assert_near, drawing

RADIUS, X, Y, Z = range(4)

AMOUNTS = st.floats(-3.0, 3.0).filter(lambda amount: abs(amount) > 1e-6)


@pytest.mark.parametrize(("by", "axis"), [(RADIUS, "z"), (X, "x"), (Y, "y"), (Z, "z")])
@settings(max_examples=30)
@given(amount=AMOUNTS)
def test_twist_turns_about_its_axis_by_amount_times_what_it_goes_by(by: int, axis: str, amount: float) -> None:
    points = drawing()
    along = np.hypot(points[:, 0], points[:, 1]) if by == RADIUS else points[:, by - 1]
    wanted = Rotation.from_euler(axis, 2 * np.pi * amount * along[:, None]).apply(points)
    assert_near(Bench(["twist"], twist_amount=amount, twist_by=by).form(points), wanted)


@settings(max_examples=30)
@given(amount=AMOUNTS, into=st.sampled_from([1, 2]))
def test_bend_lays_the_x_axis_on_a_circle_and_keeps_lengths_along_it(amount: float, into: int) -> None:
    # The axis of x = length s along a circle about (0, r), with r = 1 / (2 pi amount); beside it, at v, r - v.
    points = drawing()
    angle = 2 * np.pi * amount * points[:, 0]
    radius = 1.0 / (2 * np.pi * amount)
    wanted = points.copy()
    wanted[:, 0] = (radius - points[:, into]) * np.sin(angle)
    wanted[:, into] = radius - (radius - points[:, into]) * np.cos(angle)
    found = Bench(["bend"], bend_amount=amount, bend_into=into - 1).form(points)
    np.testing.assert_allclose(found, wanted, rtol=1e-11, atol=1e-12 * max(1.0, abs(radius)))


def test_a_bend_of_1_closes_a_length_of_1_into_a_ring() -> None:
    line = np.zeros((101, 3))
    line[:, 0] = np.linspace(-0.5, 0.5, 101)
    ring = Bench(["bend"], bend_amount=1.0).form(line)
    radius = 1 / (2 * np.pi)
    np.testing.assert_allclose(np.hypot(ring[:, 0], ring[:, 1] - radius), radius, rtol=1e-12)
    np.testing.assert_allclose(ring[0], ring[-1], atol=1e-14)


@pytest.mark.parametrize("amount", [1e-3, 1e-6, 1e-9, 1e-12, 1e-100, -1e-200])
def test_a_bend_straightens_smoothly(amount: float) -> None:
    points = drawing()
    found = Bench(["bend"], bend_amount=amount).form(points)
    # In the first order of the amount the arc rises by pi amount x^2, and what lies at y is 2 pi amount y shorter.
    slope = np.pi * amount
    wanted_y = points[:, 1] + slope * points[:, 0] ** 2
    np.testing.assert_allclose(found[:, 0], points[:, 0] * (1 - 2 * slope * points[:, 1]), atol=30 * slope**2 + 1e-15)
    np.testing.assert_allclose(found[:, 1], wanted_y, atol=30 * slope**2 + 1e-15)


@settings(max_examples=30)
@given(amount=AMOUNTS, slants=st.tuples(*[st.floats(-2.0, 2.0)] * 3))
def test_shear_moves_each_axis_by_another_as_it_was_before(amount: float, slants: tuple[float, float, float]) -> None:
    points = drawing()
    x, y, z = points.T
    wanted = np.column_stack([x + amount * slants[0] * y, y + amount * slants[1] * x, z + amount * slants[2] * x])
    bench = Bench(["shear"], shear_amount=amount, shear_x=slants[0], shear_y=slants[1], shear_z=slants[2])
    assert_near(bench.form(points), wanted)


@settings(max_examples=30)
@given(
    amount=AMOUNTS,
    radius=st.floats(0.01, 2.0),
    middle=st.tuples(*[st.floats(-1.0, 1.0)] * 3),
)
def test_pinch_takes_a_share_of_the_distance_that_halves_at_its_radius(
    amount: float, radius: float, middle: tuple[float, float, float]
) -> None:
    points = drawing()
    away = points - middle
    felt = 1 / (1 + (away**2).sum(axis=1) / radius**2)
    wanted = middle + away * (1 - amount * felt)[:, None]
    bench = Bench(["pinch"], pinch_amount=amount, pinch_radius=radius)
    for axis, value in zip("xyz", middle, strict=True):
        bench.set(f"pinch.middle.{axis}", value)
    assert_near(bench.form(points), wanted)


def test_a_negative_pinch_is_a_bulge() -> None:
    points = drawing(size=0.3)
    distance = np.linalg.norm(points, axis=1)
    assert (np.linalg.norm(Bench(["pinch"], pinch_amount=0.5).form(points), axis=1) < distance).all()
    assert (np.linalg.norm(Bench(["pinch"], pinch_amount=-0.5).form(points), axis=1) > distance).all()


def test_a_pinch_without_radius_leaves_the_drawing() -> None:
    points = np.vstack([drawing(), np.zeros(3)])
    np.testing.assert_array_equal(Bench(["pinch"], pinch_radius=0.0).form(points), points)


@pytest.mark.parametrize("kind", ["twist", "bend", "shear", "pinch"])
def test_a_moving_amount_gives_each_sample_what_a_still_one_would(kind: str) -> None:
    points = drawing(20)
    amounts = np.linspace(-0.7, 0.9, 20)
    moving = Bench([kind], **{f"{kind}_amount": amounts}).form(points)
    for k, amount in enumerate(amounts):
        still = Bench([kind], **{f"{kind}_amount": float(amount)}).form(points)
        assert moving[k].tobytes() == still[k].tobytes()
