"""Corners become points at equal distances, with every corner among them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from instrument.patch.figures import FEWEST, MOST, default_count, polygon, resample, star

CORNERS = hnp.arrays(np.float64, st.tuples(st.integers(1, 12), st.just(3)), elements=st.floats(-1e300, 1e300))


@pytest.mark.parametrize("corners", [polygon(3, 1), polygon(5, 2), polygon(7, 3), star(6, 0.3)])
def test_equal_edges_give_exactly_equal_distances_and_exact_corners(corners: np.ndarray) -> None:
    points = resample(corners)
    every = len(points) // len(corners)
    assert points[::every].tolist() == corners.tolist()
    distances = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    assert np.ptp(distances) < 1e-14


def test_the_speed_differs_by_no_more_than_one_part_in_twice_the_steps_of_an_edge() -> None:
    corners = np.array([[0.0, 0, 0], [1, 0, 0], [1, 0.3, 0], [0.2, 0.7, 0.5]])
    points = resample(corners, 1000)
    lengths = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    distances = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    mean = lengths.sum() / 1000
    worst = 1 / (2 * (lengths.min() / mean - 1))
    assert np.abs(distances / mean - 1).max() <= worst
    assert len(points) == 1000


@given(CORNERS)
def test_any_finite_corners_are_kept_and_nothing_leaves_their_box(corners: np.ndarray) -> None:
    points = resample(corners, 4096)
    assert np.isfinite(points).all()
    assert (points >= corners.min(axis=0)).all()
    assert (points <= corners.max(axis=0)).all()
    assert points.shape[0] in {1, 4096}


@given(hnp.arrays(np.float64, st.tuples(st.integers(2, 12), st.just(3)), elements=st.integers(-9, 9).map(float)))
def test_every_corner_is_among_the_points(corners: np.ndarray) -> None:
    points = {tuple(point) for point in resample(corners).tolist()}
    assert {tuple(corner) for corner in corners.tolist()} <= points


def test_a_corner_written_twice_counts_once() -> None:
    once = polygon(4, 1)
    assert resample(np.repeat(once, 2, axis=0), 64).tolist() == resample(np.roll(once, 0, axis=0), 64).tolist()


def test_a_single_point_stays_one() -> None:
    assert resample(np.array([[0.5, 0.25, 0.0]] * 3)).tolist() == [[0.5, 0.25, 0.0]]


@given(st.integers(1, MOST))
def test_the_usual_count_is_a_multiple_of_the_edges_within_bounds(edges: int) -> None:
    count = default_count(edges)
    assert count % edges == 0
    assert FEWEST <= count < 2 * MOST


@pytest.mark.parametrize("corners", [np.zeros((0, 3)), np.zeros((4, 2)), np.array([[0.0, np.nan, 0.0]])])
def test_what_is_no_path_is_refused(corners: np.ndarray) -> None:
    with pytest.raises(ValueError, match="a path"):
        resample(corners)
