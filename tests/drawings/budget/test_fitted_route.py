"""A drawing that is fitted to the points of a cycle needs no more than those."""

from __future__ import annotations

import contextlib
import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.drawings.budget.fitted_route import fitted_route
from instrument.drawings.budget.points_needed import points_needed
from instrument.drawings.limits import DrawingError
from instrument.drawings.load import LoadOptions, find_routes, load
from instrument.drawings.readers.by_ending import ReadOptions
from instrument.drawings.routing.closed_line import RouteOptions
from instrument.drawings.routing.route import route
from instrument.drawings.strokes import from_strokes
from instrument.drawings.worker.client import Worker
from tests.drawings.meshes import write_obj, write_stl_binary

if TYPE_CHECKING:
    from pathlib import Path

trimesh = pytest.importorskip("trimesh")

QUICK = RouteOptions(tour_time=0.02)


def ball(path: Path, fineness: int = 3) -> Path:
    found = trimesh.creation.icosphere(fineness)
    path.write_bytes(write_stl_binary(found.vertices.tolist(), found.faces.tolist()))
    return path


def test_a_square_needs_ten_points_for_each_of_its_sides() -> None:
    assert points_needed(route(from_strokes([[(0, 0), (5, 0), (5, 5), (0, 5), (0, 0)]]))) == 40


def test_a_jump_costs_points() -> None:
    # Two lines side by side, each run there and back, with a jump there and one back.
    found = route(from_strokes([[(0, 0), (1, 0)], [(0, 0.5), (1, 0.5)]]), RouteOptions(jump_cost=math.inf))
    # Twice 2 for the lines, 2 jumps of a half at 16 times the speed, and 4 points for each.
    assert points_needed(found) == math.ceil(10 * (4 + 2 * 0.5 / 16) + 2 * 4)


@pytest.mark.parametrize("points", [218.0, 436.0, 873.0])
def test_a_mesh_is_collapsed_until_it_fits(tmp_path: Path, points: float) -> None:
    path = ball(tmp_path / "buoy.stl")
    (found,) = find_routes([path], options=LoadOptions(route=QUICK, points=points))
    assert 0.75 * points < points_needed(found) <= points
    assert "of 1,280 triangles" in found.left_out.words
    # The whole of it is there to be shown beside what is left: a ball of so many triangles has half again as many edges.
    assert len(found.left_out.lines) == 1280 * 3 // 2


def test_the_diagonals_of_flat_sides_leave_before_the_shape_changes(tmp_path: Path) -> None:
    box = trimesh.creation.box()
    path = tmp_path / "crate.stl"
    path.write_bytes(write_stl_binary(box.vertices.tolist(), box.faces.tolist()))
    whole = points_needed(find_routes([path])[0])
    (found,) = find_routes([path], options=LoadOptions(points=whole - 1))
    assert found.figures.edges == 12
    assert found.left_out.words == "lines within flat faces"


def test_a_drawing_that_fits_is_drawn_whole(tmp_path: Path) -> None:
    path = ball(tmp_path / "buoy.stl", 1)
    (plain,), (found,) = find_routes([path]), find_routes([path], options=LoadOptions(points=5000))
    assert found.figures.edges == plain.figures.edges
    assert found.left_out.words == ""


def test_strokes_are_left_out_until_they_fit() -> None:
    rng = np.random.default_rng(2)
    strokes = [np.cumsum(rng.normal(scale=0.01 * (1 + k % 7), size=(30, 2)), axis=0) + rng.random(2) for k in range(60)]
    found = fitted_route(from_strokes(strokes), 300, QUICK)
    assert points_needed(found) <= 300
    assert "strokes" in found.left_out.words


def test_the_worker_tells_what_was_left_out(tmp_path: Path) -> None:
    path = ball(tmp_path / "buoy.stl")
    with Worker() as worker:
        (found,) = worker.routes([path], options=LoadOptions(points=300))
        assert found.left_out.lines.shape == (1920, 2, 3)
        assert worker.load([path], options=LoadOptions(points=300)).left_out == (found.left_out.words,)


def test_frames_of_a_flip_book_are_fitted_each(tmp_path: Path) -> None:
    ball(tmp_path / "buoy_1.stl", 2)
    ball(tmp_path / "buoy_2.stl", 3)
    found = load([tmp_path], options=LoadOptions(ReadOptions(), QUICK, points=300))
    assert len(found.figures) == 2
    assert all(figures.corners <= 300 for figures in found.figures)


@pytest.mark.parametrize("points", [0.0, -1.0, math.nan])
def test_a_budget_that_means_nothing_is_refused(points: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        LoadOptions(points=points)


def test_hostile_meshes_are_fitted_or_refused_in_words(tmp_path: Path) -> None:
    # Faces through one another, of no area, given many times, and far away.
    points = [(0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (1e30, 0.0, 0.0), (0.0, 0.0, 1e-30)]
    faces = [(0, 1, 2), (0, 0, 1), (2, 1, 0), (0, 1, 3), (4, 4, 4), (0, 3, 4)] * 50
    with Worker() as worker:
        worker.start()
        before = worker.pid
        for name, content in (("a.obj", write_obj(points, faces)), ("b.stl", write_stl_binary(points, faces))):
            path = tmp_path / name
            path.write_bytes(content)
            with contextlib.suppress(DrawingError):
                worker.routes([path], options=LoadOptions(points=8))
        # Whatever became of them, the same process draws the next one.
        assert len(worker.routes(text="tide", options=LoadOptions(points=60))) == 1
        assert worker.pid == before
