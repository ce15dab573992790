"""Place: scale, then turn, then move, then look at it from a distance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from tests.engine.playing import RATE, bare_program, circle, dot, exact, exact_points, started

if TYPE_CHECKING:
    from numpy.typing import NDArray

AXES = "xyz"


def placed(point: tuple[float, float, float], **place: float) -> NDArray[np.float64]:
    """Return where a layer that draws one point puts it; names like `turn_x` for place.turn.x."""
    program = dot(*point)
    for name, value in place.items():
        program.set(f"layer.1.place.{name.replace('_', '.')}", value)
    return np.asarray(exact_points(started(program), 1)[0])


COORDINATES = st.tuples(*[st.floats(-1.0, 1.0)] * 3)
ANGLES = st.tuples(*[st.floats(-2.0, 2.0)] * 3)


@settings(max_examples=40)
@given(COORDINATES, ANGLES)
def test_turns_are_rotations_about_the_fixed_axes_in_the_order_x_y_z(
    point: tuple[float, float, float], angles: tuple[float, float, float]
) -> None:
    # Lower-case "xyz" in scipy.spatial.transform.Rotation.from_euler means extrinsic (fixed) axes.
    wanted = Rotation.from_euler("xyz", angles, degrees=False).apply(point)
    turns = {f"turn_{axis}": angle / (2 * np.pi) for axis, angle in zip(AXES, angles, strict=True)}
    np.testing.assert_allclose(placed(point, **turns), wanted, atol=1e-12)


def test_a_quarter_turn_about_z_leads_x_to_y_exactly() -> None:
    np.testing.assert_array_equal(placed((0.5, 0.0, 0.25), turn_z=0.25), [0.0, 0.5, 0.25])


def test_size_scales_all_axes_and_scale_each() -> None:
    found = placed((0.5, -0.25, 0.125), size=0.5, scale_x=2.0, scale_y=-1.0, scale_z=4.0)
    np.testing.assert_array_equal(found, [0.5, 0.125, 0.25])


def test_scaling_comes_before_turning_and_moving_comes_last() -> None:
    found = placed((0.25, 0.5, 0.0), scale_x=2.0, turn_z=0.25, move_x=0.1, move_y=0.2, move_z=0.3)
    np.testing.assert_allclose(found, [-0.5 + 0.1, 0.5 + 0.2, 0.3], rtol=1e-15)


@pytest.mark.parametrize("axis", AXES)
@pytest.mark.parametrize("rate", [0.3, -2.0, 440.0, 10_000.0])
def test_a_spin_turns_so_many_times_a_second(axis: str, rate: float) -> None:
    point = (0.2, 0.3, 0.4)
    program = dot(*point)
    program.set(f"layer.1.place.spin.{axis}", rate)
    found = exact_points(started(program), 500)
    turned = Rotation.from_euler(axis, 2 * np.pi * rate * np.arange(1, 501)[:, None] / RATE)
    np.testing.assert_allclose(found, turned.apply(point), atol=1e-9)


def test_turn_is_added_to_the_angle_of_the_spin() -> None:
    program = dot(0.5)
    program.set("layer.1.place.spin.z", 3.0)
    program.set("layer.1.place.turn.z", 0.1)
    angle = 2 * np.pi * (0.1 + 3.0 * np.arange(1, 101) / RATE)
    found = exact_points(started(program), 100)
    np.testing.assert_allclose(found[:, 0], 0.5 * np.cos(angle), atol=1e-12)
    np.testing.assert_allclose(found[:, 1], 0.5 * np.sin(angle), atol=1e-12)


def test_a_spin_that_is_stopped_keeps_its_angle() -> None:
    program = dot(0.5)
    program.set("layer.1.place.spin.z", 100.0)
    engine = started(program)
    engine.render(119)
    engine.set("layer.1.place.spin.z", 0.0)
    np.testing.assert_allclose(exact_points(engine, 50)[:, :2], [[0.0, 0.5]] * 50, atol=1e-12)


def test_a_spin_goes_on_while_another_layer_holds_the_beam() -> None:
    program = bare_program()
    program.draw_path(0, np.array([[0.5, 0.0, 0.0]]))
    circle(program, 1, 0.25)
    for layer in (1, 2):
        program.set(f"layer.{layer}.pen.frequency", 480.0)
    program.set("layer.1.place.spin.z", 10.0)
    program.set("mix.mode", 1.0)
    program.schedule()
    found = exact(started(program), 1000)
    samples = np.arange(1, 1001)
    mine = samples // 100 % 2 == 0
    angle = 2 * np.pi * 10.0 * samples / RATE
    np.testing.assert_allclose(found[mine, 0], 0.5 * np.cos(angle[mine]), atol=1e-12)


# Perspective projection of (x, y, z) onto the plane z = 0 from an eye at (0, 0, d): x' = x d / (d - z), likewise y'.
# J. D. Foley, A. van Dam, S. K. Feiner, J. F. Hughes, Computer Graphics: Principles and Practice, chapter on
# projections, with the sign of z for an eye on the positive axis (from memory).
@given(COORDINATES, st.floats(1.1, 100.0) | st.floats(-100.0, -1.1))
@settings(max_examples=40)
def test_the_picture_seen_from_a_distance_obeys_the_projective_formula(
    point: tuple[float, float, float], distance: float
) -> None:
    x, y, z = point
    found = placed(point, camera=distance)
    wanted = [x * distance / (distance - z), y * distance / (distance - z)]
    np.testing.assert_allclose(found[:2], wanted, rtol=1e-12, atol=1e-300)


def test_an_eye_at_infinity_sees_without_perspective() -> None:
    np.testing.assert_array_equal(placed((0.5, -0.25, 0.75), camera=np.inf), [0.5, -0.25, 0.75])


def test_perspective_is_seen_after_turning_and_moving() -> None:
    x, y, z = Rotation.from_euler("y", 0.1 * 2 * np.pi).apply((0.5, 0.25, 0.125))
    z += 0.3
    found = placed((0.5, 0.25, 0.125), turn_y=0.1, move_z=0.3, camera=2.0)
    np.testing.assert_allclose(found[:2], [x * 2 / (2 - z), y * 2 / (2 - z)], rtol=1e-12)


def test_the_eye_can_travel_while_playing() -> None:
    program = dot(0.5, 0.25, 0.5)
    program.set("layer.1.place.camera", 3.0)
    program.record["ramp_seconds"] = 100 / RATE
    engine = started(program)
    engine.set("layer.1.place.camera", 2.0)
    distance = 3.0 - np.arange(1, 101) / 100
    np.testing.assert_allclose(exact_points(engine, 100)[:, 0], 0.5 * distance / (distance - 0.5), rtol=1e-12)
