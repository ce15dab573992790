"""Meshes are read alike from every format: edges as drawn, corners merged, nothing harmed by odd faces."""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
import trimesh
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from instrument.drawings.limits import Limits
from instrument.drawings.readers import obj
from instrument.drawings.readers.by_ending import ReadOptions, read_drawing
from instrument.drawings.readers.gltf import parse_gltf
from instrument.drawings.readers.mesh_edges import Mesh, mesh_drawing
from instrument.drawings.readers.obj import parse_obj
from instrument.drawings.readers.ply import parse_ply
from instrument.drawings.routing.closed_line import RouteOptions
from instrument.drawings.routing.route import route
from instrument.drawings.routing.weld import weld
from instrument.drawings.strokes import Drawing, edge_lengths
from tests.drawings.drawings import check_route
from tests.drawings.meshes import (
    CUBE_FACES,
    CUBE_POINTS,
    CUBE_TRIANGLES,
    WRITERS,
    Faces,
    Points,
    meshes,
    write_glb,
    write_obj,
)

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

POLYGON_WRITERS = [name for name in WRITERS if name[:3] not in {"stl", "glb"}]
FEATURE = ReadOptions(edges="feature")


def read(tmp_path: Path, name: str, points: Points, faces: Faces, options: ReadOptions | None = None) -> Drawing:
    ending, write = WRITERS[name]
    path = tmp_path / f"drawing{ending}"
    path.write_bytes(write(points, faces))
    return read_drawing(path, options)


def places(drawing: Drawing) -> set[frozenset[tuple[float, ...]]]:
    """Edges as pairs of places, whatever the numbering."""
    ends = np.round(drawing.points[drawing.edges], 5) + 0.0
    return {frozenset(map(tuple, edge.tolist())) for edge in ends}


@pytest.mark.parametrize("name", POLYGON_WRITERS)
def test_squares_stay_squares_without_diagonals(tmp_path: Path, name: str) -> None:
    assert len(weld(read(tmp_path, name, CUBE_POINTS, CUBE_FACES)).edges) == 12


@pytest.mark.parametrize("name", WRITERS)
def test_feature_edges_of_a_triangulated_cube_are_those_of_the_cube(tmp_path: Path, name: str) -> None:
    drawing = weld(read(tmp_path, name, CUBE_POINTS, CUBE_TRIANGLES, FEATURE))
    assert len(drawing.edges) == 12
    assert edge_lengths(drawing.points, drawing.edges) == pytest.approx(np.ones(12))
    assert len(drawing.bridges) == 6, "the diagonals may be run along"


@pytest.mark.parametrize("name", WRITERS)
@given(mesh=meshes(triangles=True))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_side_of_every_face_is_drawn_and_nothing_else(
    tmp_path: Path, name: str, mesh: tuple[Points, Faces]
) -> None:
    points, faces = mesh
    apart = np.linalg.norm(np.asarray(points)[:, None] - np.asarray(points)[None], axis=2)
    assume((apart + 99 * np.eye(len(points))).min() > 1e-3)
    stored = np.float32 if name in {"glb", "stl binary"} else np.float64
    place = [tuple(row) for row in (np.round(np.asarray(points, stored).astype(np.float64), 5) + 0.0).tolist()]
    sides = {frozenset((place[a], place[b])) for face in faces for a, b in zip(face, (*face[1:], face[0]), strict=True)}
    drawing = read(tmp_path, name, points, faces)
    assert places(drawing) == sides
    check_route(route(drawing))


@pytest.mark.parametrize("kind", ["obj", "off", "ply", "stl", "glb", "stl_ascii"])
def test_agrees_with_trimesh_on_its_own_files(tmp_path: Path, kind: str) -> None:
    reference = trimesh.creation.icosphere(subdivisions=3)
    reference.apply_transform(trimesh.transformations.random_rotation_matrix(np.array([0.1, 0.2, 0.3])))
    path = tmp_path / f"sphere.{kind.removesuffix('_ascii')}"
    data = reference.export(file_type=kind)
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    drawing = weld(read_drawing(path))
    assert len(drawing.edges) == len(reference.edges_unique)
    assert len(drawing.points) == len(reference.vertices)
    total = edge_lengths(drawing.points, drawing.edges).sum()
    assert total == pytest.approx(reference.edges_unique_length.sum(), rel=1e-6)


@pytest.mark.parametrize("angle", [20.0, 40.0, 70.0])
def test_feature_edges_agree_with_the_angles_that_trimesh_measures(angle: float) -> None:
    reference = trimesh.creation.cone(radius=1.0, height=1.0, sections=12)
    mesh = Mesh(np.asarray(reference.vertices), np.asarray(reference.faces).ravel(), np.full(len(reference.faces), 3))
    drawing = mesh_drawing(mesh, "feature", angle)
    expected = int((reference.face_adjacency_angles > math.radians(angle)).sum())
    assert len(drawing.edges) == expected


def test_winding_does_not_matter(tmp_path: Path) -> None:
    turned = [face[::-1] if row % 2 else face for row, face in enumerate(CUBE_TRIANGLES)]
    assert len(weld(read(tmp_path, "obj", CUBE_POINTS, turned, FEATURE)).edges) == 12


def test_an_open_border_and_a_shared_fin_are_features(tmp_path: Path) -> None:
    points = [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (0.5, 0.5, 1)]
    flat = read(tmp_path, "obj", points, [(0, 1, 2), (0, 2, 3)], FEATURE)
    fin = read(tmp_path, "obj", points, [(0, 1, 2), (0, 2, 3), (0, 2, 4)], FEATURE)
    assert len(flat.edges) == 4
    assert len(fin.edges) == 7, "the diagonal is where three faces meet"


def test_doubled_and_flat_faces_are_harmless(tmp_path: Path) -> None:
    odd = [*CUBE_TRIANGLES, CUBE_TRIANGLES[0], CUBE_TRIANGLES[1][::-1], (0, 0, 1), (2, 2, 2)]
    drawing = read(tmp_path, "obj", CUBE_POINTS, odd, FEATURE)
    assert len(weld(drawing).edges) == 12
    assert "2 faces given twice, drawn once" in drawing.warnings


def test_a_sliver_that_fills_a_crack_makes_no_edge(tmp_path: Path) -> None:
    points = [(0, 0, 0), (2, 0, 0), (1, 1, 0), (1, -1, 0), (1, 0, 0)]
    faces = [(0, 1, 2), (0, 3, 4), (3, 1, 4), (0, 4, 1)]
    drawing = weld(read(tmp_path, "obj", points, faces, FEATURE))
    outline = {frozenset(edge) for edge in ((0, 2), (2, 1), (0, 3), (3, 1))}
    drawn = {frozenset(points.index(tuple(p)) for p in edge) for edge in drawing.points[drawing.edges].tolist()}
    assert drawn == outline


def test_corners_that_each_face_brings_for_itself_are_merged(tmp_path: Path) -> None:
    points = [CUBE_POINTS[corner] for face in CUBE_FACES for corner in face]
    faces = [tuple(range(4 * i, 4 * i + 4)) for i in range(6)]
    drawing = weld(read(tmp_path, "obj", points, faces))
    assert (len(drawing.points), len(drawing.edges)) == (8, 12)


def test_lines_of_an_obj_are_drawn_with_and_without_faces() -> None:
    wire = b"v 0 0 0\nv 1 0 0\nv 1 1 0\nl 1 2 3\nl -1/1 -3\n"
    assert parse_obj(wire).lines.tolist() == [[0, 1], [1, 2], [2, 0]]
    both = parse_obj(wire + b"v 0 0 1\nf 1 2 4\n")
    assert len(mesh_drawing(both).edges) == 6


def test_edges_of_a_ply_are_drawn() -> None:
    text = (
        b"ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
        b"element edge 2\nproperty int vertex1\nproperty int vertex2\nproperty uchar red\nend_header\n"
        b"0 0 0\n1 0 0\n1 1 0\n0 1 255\n1 2 0\n"
    )
    assert mesh_drawing(parse_ply(text)).edges.tolist() == [[0, 1], [1, 2]]


def test_triangle_strips_of_a_ply_are_drawn() -> None:
    text = (
        b"ply\nformat ascii 1.0\nelement vertex 4\nproperty float x\nproperty float y\nproperty float z\n"
        b"element tristrips 1\nproperty list int int vertex_indices\nend_header\n"
        b"0 0 0\n1 0 0\n0 1 0\n1 1 0\n6 0 1 2 3 -1 0\n"
    )
    assert len(mesh_drawing(parse_ply(text)).edges) == 5


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-32", "cp1251", "shift_jis", "latin-1"])
def test_an_obj_is_read_in_any_encoding(encoding: str) -> None:
    names = {
        "cp1251": "цапля и маяк над гаванью",
        "shift_jis": "灯台と鷺の港",
        "latin-1": "Möwe über Hafen, à côté",
    }
    text = (
        f"# {names.get(encoding, 'heron')}\no {names.get(encoding, 'heron')}\n"
        + write_obj(CUBE_POINTS, CUBE_FACES).decode()
    )
    assert len(parse_obj(text.encode(encoding)).sizes) == 6


def test_an_obj_line_goes_on_after_a_backslash() -> None:
    assert parse_obj(b"v 0 0 \\\n0\nv 1 0 0\nv 1 1 0\nf 1 2 \\\n 3\n").corners.tolist() == [0, 1, 2]


@pytest.mark.parametrize(
    ("mode", "faces", "edges"),
    [
        (1, [(0, 1), (2, 3)], 2),
        (2, [(0, 1, 2, 3)], 4),
        (3, [(0, 1, 2, 3)], 3),
        (4, [(0, 1, 2)], 3),
        (5, [(0, 1, 2, 3)], 5),
        (6, [(0, 1, 2, 3)], 5),
    ],
)
def test_every_topology_of_gltf_is_drawn(mode: int, faces: Faces, edges: int) -> None:
    points = [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0)]
    drawing = weld(mesh_drawing(parse_gltf(write_glb(points, faces, mode))))
    assert len(drawing.edges) == edges


def test_gltf_nodes_place_their_meshes() -> None:
    matrix = [2, 0, 0, 0, 0, 3, 0, 0, 0, 0, 1, 0, 10, 20, 30, 1]
    mesh = parse_gltf(write_glb([(0, 0, 0), (1, 1, 1)], [(0, 1)], 1, matrix))
    assert mesh.points.tolist() == [[10, 20, 30], [12, 23, 31]]


def test_gltf_placement_agrees_with_trimesh() -> None:
    scene = trimesh.Scene()
    box = trimesh.creation.box(extents=(1, 2, 3))
    for row in range(3):
        turn = trimesh.transformations.random_rotation_matrix(np.array([0.1 * row, 0.5, 0.9]))
        turn[:3, 3] = (row, 5, 7)
        scene.add_geometry(box, transform=turn, parent_node_name=None, node_name=f"box{row}")
    data: bytes = scene.export(file_type="glb")  # type: ignore[no-untyped-call]
    reference = trimesh.load_scene(io.BytesIO(data), file_type="glb").to_mesh()
    mesh = parse_gltf(data)
    for extreme in (np.min, np.max):
        np.testing.assert_allclose(extreme(mesh.points, axis=0), extreme(reference.vertices, axis=0), atol=1e-5)


@given(meshes(), st.floats(0.0, 180.0))
@settings(max_examples=80, deadline=None)
def test_features_and_bridges_together_are_all_edges(mesh: tuple[Points, Faces], crease: float) -> None:
    points, faces = mesh
    parsed = parse_obj(write_obj(points, faces))
    everything = mesh_drawing(parsed)
    parted = mesh_drawing(parsed, "feature", crease)

    def keys(edges: NDArray[np.int64]) -> set[frozenset[int]]:
        return {frozenset(edge) for edge in edges.tolist()}

    assert keys(parted.edges) | keys(parted.bridges) == keys(everything.edges)
    assert not keys(parted.edges) & keys(parted.bridges)


def test_bridging_lowers_what_the_pieces_of_a_smooth_model_cost() -> None:
    sphere = trimesh.creation.icosphere(subdivisions=3)
    random = np.random.default_rng(5)
    rough = sphere.vertices * (1 + 0.04 * random.random((len(sphere.vertices), 1)))
    mesh = Mesh(np.asarray(rough), np.asarray(sphere.faces).ravel(), np.full(len(sphere.faces), 3))
    drawing = mesh_drawing(mesh, "feature", 18.0)
    alone = route(drawing, RouteOptions(jump_cost=math.inf)).figures
    bridged = route(drawing, RouteOptions(jump_cost=math.inf, bridge_cost=0.5)).figures
    assert alone.components > 10
    assert bridged.bridge_length > 0
    assert bridged.repeated_length + 0.5 * bridged.bridge_length < alone.repeated_length


@given(meshes(), st.lists(st.lists(st.integers(0, 2), min_size=2, max_size=5), max_size=4))
@settings(max_examples=60, deadline=None)
def test_the_quick_way_and_the_slow_way_read_an_obj_alike(mesh: tuple[Points, Faces], wires: Faces) -> None:
    text = write_obj(*mesh).decode() + "".join("\nl " + " ".join(f"{corner + 1}" for corner in wire) for wire in wires)
    quick, slow = obj._all_at_once(text, Limits()), obj._line_by_line(text, Limits())
    assert quick is not None
    for name in ("points", "corners", "sizes", "lines"):
        assert np.array_equal(getattr(quick, name), getattr(slow, name))
