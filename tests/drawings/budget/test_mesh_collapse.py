"""Meshes get fewer faces and keep their shape."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.drawings.budget.mesh_collapse import collapsed, collapsed_within, distances_to, triangle_count
from instrument.drawings.limits import DrawingError
from instrument.drawings.readers.mesh_edges import Mesh
from instrument.drawings.strokes import no_edges
from tests.drawings.meshes import meshes

trimesh = pytest.importorskip("trimesh")


def mesh_of(points: object, faces: object) -> Mesh:
    table = np.asarray(faces, np.int64)
    return Mesh(np.asarray(points, np.float64), table.ravel(), np.full(len(table), table.shape[1], np.int64))


def ball(fineness: int = 3) -> Mesh:
    found = trimesh.creation.icosphere(fineness)
    return mesh_of(found.vertices, found.faces)


def test_a_ball_of_fewer_faces_is_still_a_ball() -> None:
    found = collapsed(ball(), 200)
    assert triangle_count(found) <= 200
    radius = np.linalg.norm(found.points, axis=1)
    assert 0.9 < radius.min() <= radius.max() < 1.1
    # Of a closed surface of genus 0 by Euler: twice as many faces as corners, less four.
    assert triangle_count(found) == 2 * len(found.points) - 4


def test_a_flat_sheet_keeps_its_four_corners() -> None:
    side = 12
    points = [(x, y, 0.0) for y in range(side) for x in range(side)]
    faces = [
        (k, k + 1, k + side + 1, k + side) for y in range(side - 1) for x in range(side - 1) for k in [y * side + x]
    ]
    found = collapsed(mesh_of(points, faces), 60)
    assert triangle_count(found) <= 66
    assert np.ptp(found.points, axis=0).tolist() == pytest.approx([11.0, 11.0, 0.0])


def test_triangles_that_each_bring_their_own_corners_are_joined_first() -> None:
    whole = ball()
    loose = mesh_of(whole.points[whole.corners], np.arange(len(whole.corners)).reshape(-1, 3))
    assert triangle_count(collapsed(loose, 100)) <= 100


def test_a_mesh_with_no_more_faces_is_left_as_it_is() -> None:
    mesh = ball(1)
    assert collapsed(mesh, 80) is mesh
    assert collapsed(mesh, 1000) is mesh


def test_lines_of_a_mesh_stay() -> None:
    mesh = ball()
    with_line = Mesh(mesh.points, mesh.corners, mesh.sizes, np.array([[0, 1]]))
    found = collapsed(with_line, 50)
    assert found.points[found.lines].tolist() == mesh.points[[[0, 1]]].tolist()


def test_very_small_and_very_large_meshes_are_reduced_alike() -> None:
    mesh = ball()
    for scale in (1e-30, 1e30):
        found = collapsed(Mesh(mesh.points * scale, mesh.corners, mesh.sizes), 100)
        assert triangle_count(found) == triangle_count(collapsed(mesh, 100))


def test_a_mesh_without_size_or_number_is_left_or_refused() -> None:
    heap = mesh_of(np.zeros((30, 3)), np.arange(30).reshape(-1, 3))
    assert collapsed(heap, 2) is heap
    with pytest.raises(DrawingError, match="finite"):
        collapsed(mesh_of(np.full((6, 3), np.nan), [[0, 1, 2], [3, 4, 5]]), 1)


def test_distances_to_a_surface_are_those_of_a_mesh_library() -> None:
    rng = np.random.default_rng(1)
    found = trimesh.creation.icosphere(1)
    points = rng.normal(size=(200, 3))
    wanted = trimesh.proximity.closest_point_naive(found, points)[1]
    # Of the nearest few triangles alone, so never less, and hardly ever more.
    ours = distances_to(points, found.vertices, found.faces)
    assert (ours >= wanted - 1e-9).all()
    assert np.quantile(ours - wanted, 0.95) < 1e-9


@pytest.mark.parametrize("distance", [0.2, 0.05, 0.01])
def test_simplified_no_corner_leaves_the_surface_by_more_than_it_may(distance: float) -> None:
    mesh = ball()
    found = collapsed_within(mesh, distance)
    assert triangle_count(found) < triangle_count(mesh)
    ours = distances_to(mesh.points, found.points, found.corners.reshape(-1, 3))
    assert ours.max() <= distance


@settings(max_examples=40, deadline=None)
@given(meshes(triangles=True), st.integers(1, 20), st.sampled_from([1e-9, 1.0, 1e9]))
def test_any_mesh_is_reduced_to_a_mesh(
    mesh: tuple[list[tuple[float, ...]], list[tuple[int, ...]]], faces: int, scale: float
) -> None:
    points, triangles = mesh
    given_mesh = mesh_of(np.array(points) * scale, triangles) if triangles else Mesh(np.array(points), lines=no_edges())
    found = collapsed(given_mesh, faces)
    assert np.isfinite(found.points).all()
    assert triangle_count(found) <= triangle_count(given_mesh)
    assert not len(found.corners) or 0 <= found.corners.min() <= found.corners.max() < len(found.points)
