"""Outlines as frames: one line a direction, whoever shares in the work."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.drawings.limits import DrawingError
from instrument.drawings.load import LoadOptions, find_routes, load
from instrument.drawings.outline.outline_frames import eyes_of, surface_to_draw
from instrument.drawings.outline.viewpoints import NEAREST_EYE, Viewpoints, sphere_directions
from instrument.drawings.readers.by_ending import ReadOptions
from instrument.drawings.routing.closed_line import StepKind
from instrument.drawings.routing.sampling import Sampling
from instrument.drawings.worker.client import Worker
from tests.drawings.meshes import CUBE_FACES, CUBE_POINTS, write_obj
from tests.drawings.outline.solids import mesh

if TYPE_CHECKING:
    from pathlib import Path


def outlined(count: int = 5, distance: float = 4.0, sampling: Sampling | None = None) -> LoadOptions:
    rows = tuple((float(x), float(y), float(z)) for x, y, z in sphere_directions(2 * count)[1 : count + 1])
    return LoadOptions(ReadOptions(lines="outline"), sampling=sampling or Sampling(), views=Viewpoints(rows, distance))


@pytest.fixture
def cube_file(tmp_path: Path) -> Path:
    path = tmp_path / "quay.obj"
    path.write_bytes(write_obj(CUBE_POINTS, CUBE_FACES))
    return path


def test_every_direction_has_a_line_of_the_edges_that_are_seen_from_it(cube_file: Path) -> None:
    found = load([cube_file], options=outlined(4, math.inf))
    assert found.points.shape == (4, 1024, 3)
    assert [figures.edges for figures in found.figures] == [9] * 4
    drawn = found.points[found.kinds <= StepKind.REPEATED]
    # On the edges of the fitted cube two coordinates are at its sides.
    assert np.sort(np.abs(drawn), axis=1)[:, 1:] == pytest.approx(1.0)


def test_the_process_that_reads_gives_the_same_bits_as_this_one(cube_file: Path) -> None:
    here = load([cube_file], options=outlined(7, sampling=Sampling(points=256)))
    with Worker() as worker:
        there = worker.load([cube_file], options=outlined(7, sampling=Sampling(points=256)))
    assert there.points.tobytes() == here.points.tobytes()
    assert there.kinds.tobytes() == here.kinds.tobytes()


def test_what_a_budget_leaves_out_is_told_once_for_all_directions(tmp_path: Path) -> None:
    path = tmp_path / "crates.obj"
    places = np.array([(x, y, 0.0) for x in range(4) for y in range(4)])
    points = np.concatenate([0.3 * np.asarray(CUBE_POINTS) + place for place in places]).tolist()
    path.write_bytes(write_obj(points, [[v + 8 * k for v in face] for k in range(16) for face in CUBE_FACES]))
    whole = load([path], options=outlined(3))
    fitted = load([path], options=replace(outlined(3), points=60.0))
    assert whole.left_out == ()
    assert len(fitted.left_out) == 1
    assert all(few.edges < all_of.edges for few, all_of in zip(fitted.figures, whole.figures, strict=True))


def test_a_route_is_found_for_each_direction(cube_file: Path) -> None:
    assert [found.figures.edges for found in find_routes([cube_file], options=outlined(2, math.inf))] == [9, 9]


def test_an_eye_within_the_model_is_moved_out_of_it() -> None:
    options = outlined(1, distance=0.1)
    surface = surface_to_draw(mesh(CUBE_POINTS, CUBE_FACES), options)
    assert eyes_of(surface, options)[0].distance == pytest.approx(NEAREST_EYE * math.sqrt(3))


def test_a_model_keeps_its_own_coordinates_where_that_is_asked(cube_file: Path) -> None:
    found = load([cube_file], options=outlined(1, sampling=Sampling(fit="original")))
    assert (found.points.min(), found.points.max()) == (0.0, 1.0)


@pytest.mark.parametrize(
    ("names", "reason"),
    [
        (["heron.svg"], "drawn of meshes alone"),
        (["a.obj", "b.obj"], "draws one mesh, and here are 2 drawings"),
        (["line.obj"], "it holds no faces"),
    ],
)
def test_what_has_no_outline_is_refused_with_the_way_out(tmp_path: Path, names: list[str], reason: str) -> None:
    for name in names:
        (tmp_path / name).write_text("v 0 0 0\nv 1 0 0\nl 1 2\n")
    with pytest.raises(DrawingError, match=reason):
        load([tmp_path / name for name in names], options=outlined())
