"""A mesh that moves has one line for all frames, so that they bend into each other; points that part are not one."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from instrument.drawings.limits import DrawingError, Limits
from instrument.drawings.load import LoadOptions, find_line, load, sample_frames
from instrument.drawings.readers.by_ending import ReadOptions
from instrument.drawings.readers.mesh_edges import Mesh
from instrument.drawings.readers.moving_mesh import MovingMesh
from instrument.drawings.routing.moving_line import moving_routes
from instrument.drawings.routing.sampling import Sampling

FRAMES = 48


def net(frame: int) -> NDArray[np.float64]:
    """Return the knots of a net of 5 x 5 that blows in the wind."""
    x, y = np.meshgrid(np.arange(5.0), np.arange(5.0))
    phase = 2 * np.pi * frame / FRAMES
    return np.stack([x, y + 0.5 * np.sin(x + phase), np.cos(y + phase)], axis=-1).reshape(-1, 3)


def faces() -> NDArray[np.int64]:
    first = (np.arange(4)[:, None] * 5 + np.arange(4)).ravel()
    return np.stack([first, first + 1, first + 6, first + 5], axis=1)


def folder_of_nets(folder: Path, frames: int = FRAMES) -> Path:
    for frame in range(frames):
        lines = [f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in net(frame).tolist()]
        lines += [f"f {' '.join(map(str, face))}" for face in (faces() + 1).tolist()]
        (folder / f"net_{frame:02d}.obj").write_text("\n".join(lines))
    return folder


def test_meshes_of_one_topology_share_one_walk(tmp_path: Path) -> None:
    routes = find_line([folder_of_nets(tmp_path, 12)]).routes
    assert len(routes) == 12
    assert all(np.array_equal(route.walk, routes[0].walk) for route in routes)
    assert all(np.array_equal(route.kinds, routes[0].kinds) for route in routes)


def test_between_two_frames_lies_the_mesh_half_way(tmp_path: Path) -> None:
    # The defect that this mends: frames 0 and 1 were clean, and 0.5 was a tangle, for each had a line of its own.
    found = load([folder_of_nets(tmp_path)], options=LoadOptions(sampling=Sampling(points=2048, fit="original")))
    half = 0.5 * (found.points[0] + found.points[1])
    middle = 0.5 * (net(0) + net(1))
    a, b = middle[faces()].reshape(-1, 3), middle[np.roll(faces(), -1, axis=1)].reshape(-1, 3)
    along = b - a
    drawn = half[found.kinds[0] <= 1]
    t = np.clip(np.einsum("nkj,kj->nk", drawn[:, None] - a, along) / (along**2).sum(axis=1), 0, 1)
    away = np.linalg.norm(drawn[:, None] - (a + t[:, :, None] * along), axis=2).min(axis=1)
    assert away.max() < 1e-6


def test_frames_keep_their_sizes_and_places_against_one_another(tmp_path: Path) -> None:
    found = load([folder_of_nets(tmp_path, 12)])
    assert np.abs(found.points).max() == pytest.approx(1.0, abs=2e-3)
    # The net is 4 wide in every frame.
    assert np.ptp(found.points[:, :, 0], axis=1) == pytest.approx(np.full(12, np.ptp(found.points[0, :, 0])), abs=2e-3)


def test_a_rate_gives_a_folder_a_speed_of_its_own(tmp_path: Path) -> None:
    folder = folder_of_nets(tmp_path, 12)
    assert load([folder]).seconds == 0.0
    assert load([folder], options=LoadOptions(ReadOptions(frame_rate=24.0))).seconds == 0.5


def test_meshes_of_different_topology_are_drawn_one_by_one(tmp_path: Path) -> None:
    (tmp_path / "rope_1.obj").write_text("v 0 0 0\nv 1 0 0\nv 1 1 0\nl 1 2\n")
    (tmp_path / "rope_2.obj").write_text("v 0 0 0\nv 1 0 0\nv 1 1 0\nl 1 2 3\n")
    routes = find_line([tmp_path]).routes
    assert [route.figures.edges for route in routes] == [1, 2]
    assert all(route.timing is None for route in routes)


def parting(frame: int) -> NDArray[np.float64]:
    # Two squares that touch in frame 0 and are apart in frame 1.
    square = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    return np.concatenate([square, square + np.array([1.0 + frame, 0, 0])])


def test_points_that_meet_in_one_frame_alone_are_not_one() -> None:
    mesh = Mesh(parting(0), np.arange(8), np.array([4, 4]))
    routes = moving_routes(MovingMesh(mesh, 2, 0.0, parting))
    assert routes[0].figures.components == 2
    found = sample_frames(routes, Sampling(points=512, fit="original"))
    inside = (found.points[1, :, 0] > 1.01) & (found.points[1, :, 0] < 1.99)
    # Between the squares there is nothing but jumps.
    assert (found.kinds[1][inside] == 2).all()


def test_points_that_meet_in_every_frame_are_one() -> None:
    seam = np.array([[0.0, 0, 0], [1, 0, 0], [1, 0, 0], [1, 1, 0]])
    mesh = Mesh(seam, lines=np.array([[0, 1], [2, 3]]))
    routes = moving_routes(MovingMesh(mesh, 3, 0.0, lambda frame: seam * (1 + frame)))
    assert routes[0].figures.components == 1
    assert routes[0].figures.vertices == 3


def test_a_pose_that_is_no_number_is_refused() -> None:
    mesh = Mesh(parting(0), np.arange(8), np.array([4, 4]))
    with pytest.raises(DrawingError, match="finite number"):
        moving_routes(MovingMesh(mesh, 2, 0.0, lambda frame: parting(frame) + (np.nan if frame else 0.0)))


def test_more_points_than_are_allowed_together_are_refused() -> None:
    mesh = Mesh(parting(0), np.arange(8), np.array([4, 4]))
    with pytest.raises(DrawingError, match="at most 800 points are allowed together"):
        moving_routes(MovingMesh(mesh, 101, 0.0, parting), limits=Limits(points=100))


def test_a_clip_of_anything_but_a_model_is_refused(tmp_path: Path) -> None:
    folder = folder_of_nets(tmp_path, 2)
    with pytest.raises(DrawingError, match=r"net_00\.obj: clip names an animation of a glTF file"):
        load([folder / "net_00.obj"], options=LoadOptions(ReadOptions(clip="blow")))
    with pytest.raises(DrawingError, match="belongs to one glTF file, and 2 drawings are named"):
        load([folder], options=LoadOptions(ReadOptions(clip="blow")))
