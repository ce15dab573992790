"""Visible lines: known answers of solids whose outlines geometry tells."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from instrument.drawings.outline.contours import facing
from instrument.drawings.outline.surface import surface_of
from instrument.drawings.outline.visible_lines import Tidying, visible_lines
from tests.drawings.outline.solids import box, cube, eye, mesh, sphere, torus, total_length

GENERAL = (0.3, 0.5, 0.81)
ALL = Tidying(crumb=0.0, gap=0.0)


def named(points: np.ndarray, edges: np.ndarray, corners: np.ndarray) -> set[tuple[int, int]]:
    """Edges by the corners that they join; every end must be one."""
    away = np.linalg.norm(points[:, None] - corners[None], axis=2)
    assert away.min(axis=1).max() < 1e-9
    nearest = away.argmin(axis=1)
    return {(int(min(a, b)), int(max(a, b))) for a, b in nearest[edges]}


@pytest.mark.parametrize("distance", [math.inf, 4.0])
def test_nine_edges_of_a_cube_are_seen_from_a_general_direction_and_six_of_them_are_its_contour(
    distance: float,
) -> None:
    surface = cube()
    found = visible_lines(surface, eye(*GENERAL, distance=distance), ALL)
    seen = named(found.points, found.edges, surface.points)
    front = facing(surface, eye(*GENERAL, distance=distance))
    contour = {
        (int(min(edge)), int(max(edge)))
        for edge, faces in zip(surface.edges, surface.faces, strict=True)
        if front[faces[0]] != front[faces[1]]
    }
    assert len(found.edges) == len(seen) == 9
    assert len(seen & contour) == 6


@pytest.mark.parametrize("distance", [math.inf, 4.0, 1.5])
def test_a_sphere_is_seen_as_the_circle_in_which_the_cone_from_the_eye_touches_it(distance: float) -> None:
    found = visible_lines(sphere(), eye(*GENERAL, distance=distance))
    height = found.points @ eye(*GENERAL).direction
    radius = np.linalg.norm(found.points - height[:, None] * eye(*GENERAL).direction, axis=1)
    # A tangent from a point at distance d touches a sphere of radius 1 at height 1 / d, on a circle of sqrt(1 - 1 / d**2).
    assert height == pytest.approx(1 / distance, abs=0.005)
    assert radius == pytest.approx(math.sqrt(1 - 1 / distance**2), abs=0.003)
    assert (np.bincount(found.edges.ravel()) == 2).all(), "the circle is closed"
    assert total_length(found.points, found.edges) == pytest.approx(math.tau * radius.mean(), rel=0.002)


@settings(max_examples=30)
@given(seed=st.integers(0, 2**32 - 1), count=st.integers(5, 40), distance=st.sampled_from([math.inf, 3.0]))
def test_an_edge_of_a_convex_hull_is_seen_exactly_when_one_of_its_faces_is_in_front(
    seed: int, count: int, distance: float
) -> None:
    random = np.random.default_rng(seed)
    points = random.normal(size=(count, 3))
    points /= 1.2 * np.linalg.norm(points, axis=1).max()
    hull = ConvexHull(points)
    towards = eye(*random.normal(size=3), distance=distance)
    seen = set()
    for corners, (*normal, offset) in zip(hull.simplices.tolist(), hull.equations, strict=True):
        in_front = (
            np.dot(normal, towards.direction) > 0
            if math.isinf(distance)
            else np.dot(normal, towards.direction * distance) + offset > 0
        )
        if in_front:
            seen |= {(min(a, b), max(a, b)) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)}
    found = visible_lines(surface_of(mesh(points, hull.simplices), crease=0.0), towards, ALL)
    assert named(found.points, found.edges, points) == seen


def within(hull: ConvexHull, begin: np.ndarray, end: np.ndarray) -> tuple[float, float]:
    """Shares of a segment at which a convex outline begins and ends (M. Cyrus and J. Beck, 1978)."""
    first, last = 0.0, 1.0
    for *normal, offset in hull.equations:
        here, change = np.dot(normal, begin) + offset, np.dot(normal, end - begin)
        if change < 0:
            first = max(first, -here / change)
        elif change > 0:
            last = min(last, -here / change)
    return first, last


@pytest.mark.parametrize("distance", [math.inf, 6.0])
def test_edges_behind_another_box_are_cut_where_its_outline_crosses_them(distance: float) -> None:
    near, faces = box((-0.4, -1.0, 0.6), (0.3, 1.0, 0.9))
    far, _ = box((-1.2, -0.3, -0.9), (1.1, 0.4, -0.5))
    surface = surface_of(mesh(np.concatenate([near, far]), [*faces, *[[c + 8 for c in face] for face in faces]]))
    towards = eye(0.1, 0.15, 1.0, distance=distance)
    found = visible_lines(surface, towards, ALL)
    flat = towards.projected(surface.points)[0][:, :2]
    outline = ConvexHull(flat[:8])
    front = facing(surface, towards)
    cuts = []
    for edge, owners in zip(surface.edges, surface.faces, strict=True):
        is_crease = len(set(np.abs(surface.points[edge[1]] - surface.points[edge[0]]) > 1e-9)) == 2
        if edge[0] >= 8 and front[owners].any() and is_crease and surface.drawn[(surface.edges == edge).all(axis=1)]:
            begin, end = flat[edge]
            first, last = within(outline, begin, end)
            if first < last:
                cuts += [begin + share * (end - begin) for share in (first, last) if 0 < share < 1]
    assert len(cuts) >= 4
    ends = towards.projected(found.points[np.bincount(found.edges.ravel()) == 1])[0][:, :2]
    # Every T-junction is within a billionth of where the outline of the nearer box crosses, and there is no other.
    away = np.linalg.norm(ends[:, None] - np.array(cuts)[None], axis=2)
    assert len(ends) == len(cuts)
    assert away.min(axis=0).max() < 1e-9


def test_the_hole_of_a_ring_shows_its_inner_contour_from_above_and_hides_it_from_the_side() -> None:
    ring = torus()
    above = visible_lines(ring, eye(0, 0, 1))
    out = np.linalg.norm(above.points[:, :2], axis=1)
    assert total_length(above.points, above.edges) == pytest.approx(math.tau * (1.4 + 0.6), rel=0.01)
    assert set(np.round(out, 1)) == {0.6, 1.4}
    beside = visible_lines(ring, eye(1, 0, 0.02))
    assert np.linalg.norm(beside.points[:, :2], axis=1).min() > 0.97


def test_a_contour_ends_where_the_surface_hides_its_continuation() -> None:
    # Of a ring that is seen at a slant, the far part of the inner contour ends behind the near one.
    slanted = visible_lines(torus(), eye(0, math.sin(1.3), math.cos(1.3)))
    inner = slanted.points[np.linalg.norm(slanted.points[:, :2], axis=1) < 0.98]
    ends = np.bincount(slanted.edges.ravel()) == 1
    assert len(inner) > 10
    assert ends.sum() >= 2


def test_an_open_sheet_is_drawn_by_its_border_from_both_sides() -> None:
    sheet = surface_of(mesh([(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0)], [(0, 1, 2, 3)]))
    for side in (1, -1):
        found = visible_lines(sheet, eye(0.2, 0.1, side), ALL)
        assert total_length(found.points, found.edges) == pytest.approx(4.0)


def test_crumbs_are_swept_away_and_the_longest_piece_is_kept_even_so() -> None:
    large, faces = box((-1, -1, -1), (1, 1, 1))
    small, _ = box((1.5, 1.5, 1.5), (1.502, 1.502, 1.502))
    both = surface_of(mesh(np.concatenate([large, small]), [*faces, *[[c + 8 for c in face] for face in faces]]))
    assert len(visible_lines(both, eye(*GENERAL), Tidying(crumb=0.0)).edges) == 18
    assert len(visible_lines(both, eye(*GENERAL)).edges) == 9
    assert len(visible_lines(both, eye(*GENERAL), Tidying(crumb=1e9)).edges) == 9
