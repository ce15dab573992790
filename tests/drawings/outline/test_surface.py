"""Surfaces: wound alike, closed or not, smoothed up to their creases."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.drawings.limits import DrawingError
from instrument.drawings.outline.surface import surface_of
from instrument.drawings.outline.triangles import triangulated
from instrument.drawings.readers.mesh_edges import Mesh
from tests.drawings.meshes import CUBE_FACES, CUBE_POINTS, meshes
from tests.drawings.outline.solids import mesh, sphere, torus


def outwards(surface: object) -> np.ndarray:
    corners = surface.points[surface.triangles]  # type: ignore[attr-defined]
    return np.asarray(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))


@given(turned=st.lists(st.booleans(), min_size=6, max_size=6))
def test_faces_wound_anyhow_face_outwards_in_a_closed_piece(turned: list[bool]) -> None:
    faces = [face[::-1] if back else face for face, back in zip(CUBE_FACES, turned, strict=True)]
    surface = surface_of(mesh(CUBE_POINTS, faces))
    middle = surface.points[surface.triangles].mean(axis=1) - 0.5
    assert surface.closed.all()
    assert (np.einsum("ij,ij->i", outwards(surface), middle) > 0).all()


def test_the_twelve_edges_of_a_cube_are_drawn_and_the_diagonals_of_its_faces_are_not() -> None:
    surface = surface_of(mesh(CUBE_POINTS, CUBE_FACES))
    assert (len(surface.triangles), len(surface.edges), surface.drawn.sum()) == (12, 18, 12)


def test_a_band_with_one_side_counts_as_open() -> None:
    turn = np.arange(12) * math.tau / 12
    middle = np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
    across = 0.3 * np.cos(turn / 2)[:, None] * middle + 0.3 * np.sin(turn / 2)[:, None] * np.array([0.0, 0, 1])
    faces = [(k, (k + 1) % 12, (k + 1) % 12 + 12, k + 12) for k in range(11)] + [(11, 12, 0, 23)]
    surface = surface_of(mesh(np.concatenate([middle + across, middle - across]), faces), crease=90.0)
    assert not surface.closed.any()


def test_normals_of_a_fine_sphere_and_a_ring_are_those_of_the_curved_surface() -> None:
    ball = sphere(3)
    assert np.einsum("tci,tci->tc", ball.normals, ball.points[ball.triangles]) == pytest.approx(1.0, abs=1e-3)
    ring = torus()
    corner = ring.points[ring.triangles]
    centre = corner * [1, 1, 0] / np.linalg.norm(corner[..., :2], axis=2, keepdims=True)
    assert np.einsum("tci,tci->tc", ring.normals, corner - centre) == pytest.approx(0.4, abs=1e-3)


def test_normals_are_not_smoothed_over_a_crease() -> None:
    surface = surface_of(mesh(CUBE_POINTS, CUBE_FACES))
    assert (np.abs(surface.normals).max(axis=2) == pytest.approx(1.0)) is True


def test_neighbours_share_a_normal_where_their_edge_is_smooth_however_they_are_wound() -> None:
    roof = mesh([(0, 0, 0), (1, 0, 0.1), (0, 1, 0), (-1, 0, 0.1)], [(0, 1, 2), (0, 3, 2)])
    turned = mesh([(0, 0, 0), (1, 0, 0.1), (0, 1, 0), (-1, 0, 0.1)], [(0, 1, 2), (2, 3, 0)])
    for one in (roof, turned):
        surface = surface_of(one)
        at_ridge = surface.normals[np.isin(surface.triangles, [0, 2])].reshape(2, 2, 3)
        assert np.abs(at_ridge[0] @ at_ridge[1].T) == pytest.approx(1.0)


@given(meshes())
def test_any_mesh_becomes_a_surface_of_finite_numbers_or_is_refused(
    parts: tuple[list[tuple[float, ...]], list[tuple[int, ...]]],
) -> None:
    try:
        surface = surface_of(mesh(*parts))
    except DrawingError:
        return
    assert np.isfinite(surface.normals).all()
    assert surface.triangles.max(initial=0) < len(surface.points)


def test_a_drawing_without_faces_is_refused_with_the_way_out() -> None:
    with pytest.raises(DrawingError, match='Draw it with lines = "edges"'):
        surface_of(Mesh(np.zeros((2, 3)), lines=np.array([[0, 1]])))


@given(st.integers(4, 12), st.floats(0.05, 0.9))
def test_the_triangles_of_a_star_cover_it_once(corners: int, notch: float) -> None:
    turn = np.arange(2 * corners) * math.pi / corners
    radius = np.where(np.arange(2 * corners) % 2, notch, 1.0)
    points = np.stack([radius * np.cos(turn), 0 * turn + 0.3, radius * np.sin(turn)], axis=1)
    found = triangulated(points, np.arange(2 * corners), np.array([2 * corners]))
    sides = points[found]
    area = 0.5 * np.cross(sides[:, 1] - sides[:, 0], sides[:, 2] - sides[:, 0])[:, 1]
    whole = 0.5 * np.cross(points, np.roll(points, -1, axis=0))[:, 1].sum()
    assert len(found) == 2 * corners - 2
    assert np.abs(area).sum() == pytest.approx(abs(whole))
    assert area.sum() == pytest.approx(whole)
