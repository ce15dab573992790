"""The report of a route: the promised figures, the refusals, and the picture."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image

from instrument.drawings.route_report import (
    PROMISED,
    draw_route,
    highest_legible,
    points_per_cycle,
    route_report,
    route_reports,
)
from instrument.drawings.routing.closed_line import RouteOptions
from instrument.drawings.routing.route import route
from instrument.drawings.strokes import from_strokes
from instrument.drawings.worker.client import Worker
from tests.drawings.drawings import solid
from tests.drawings.meshes import CUBE_FACES, CUBE_POINTS, write_obj

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray


def pixels(path: Path) -> NDArray[np.uint8]:
    with Image.open(path) as picture:
        return np.asarray(picture.convert("RGB"))


@pytest.fixture
def cube(tmp_path: Path) -> Path:
    path = tmp_path / "crane.obj"
    path.write_bytes(write_obj(np.multiply(CUBE_POINTS, 2.5).tolist(), CUBE_FACES))
    return path


def test_a_report_has_the_promised_figures_in_the_drawing_s_own_units(cube: Path) -> None:
    report = route_report(cube)
    assert report.keys() >= {"file", *PROMISED}
    wanted = {"edges": 12, "vertices": 8, "components": 1, "odd_vertices": 8, "corners": 16}
    assert {key: report[key] for key in wanted} == wanted
    assert report["length"] == pytest.approx(30.0)
    assert report["repeated_length"] == pytest.approx(10.0)
    assert report["lower_bound"] == pytest.approx(10.0)
    assert report["jump_length"] == 0.0
    assert report["warnings"] == []
    assert report["seconds"] > 0
    assert json.loads(json.dumps(report)) == report


def test_many_drawings_are_reported_one_by_one_and_a_bad_one_stops_none(cube: Path, tmp_path: Path) -> None:
    reports = list(route_reports([tmp_path / "gone.svg", cube]))
    assert reports[0] == {"file": str(tmp_path / "gone.svg"), "error": "gone.svg: there is no such file"}
    assert reports[1]["edges"] == 12


def test_a_report_is_the_same_from_a_worker(cube: Path) -> None:
    with Worker() as worker:
        apart = route_report(cube, worker=worker)
    home = route_report(cube)
    assert {**apart, "seconds": 0} == {**home, "seconds": 0}


def test_a_numbered_folder_is_reported_as_a_whole(tmp_path: Path) -> None:
    for frame in (1, 2):
        (tmp_path / f"{frame}.csv").write_text(f"0,0\n{frame},0\n{frame},1\n0,1\n0,0\n")
    report = route_report(tmp_path)
    assert (report["frames"], report["edges"], report["corners"]) == (2, 8, 4)
    assert report["length"] == pytest.approx(4 + 6)


def test_points_per_cycle_and_the_highest_legible_pitch_are_each_other_s_inverse() -> None:
    assert points_per_cycle(192_000, highest_legible(640, 192_000)) == pytest.approx(640)


def test_the_picture_shows_every_kind_of_line_apart(tmp_path: Path) -> None:
    strokes = [[(0, 0), (4, 0), (4, 4), (0, 4)], [(9, 0), (9, 3)], [(9, 3), (12, 3)], [(9, 3), (8, 6)]]
    drawing = replace(from_strokes(strokes), bridges=np.array([[3, 0]]))
    found = route(drawing, RouteOptions(jump_cost=50, bridge_cost=0.2))
    assert set(found.kinds.tolist()) == {0, 1, 2, 3}
    path = tmp_path / "route.png"
    draw_route(found, path, size=600)
    picture = pixels(path)
    assert picture.shape == (600, 600, 3)
    for colour in ((0, 114, 178), (213, 94, 0), (204, 121, 167), (0, 158, 115)):
        near = np.abs(picture.astype(int) - colour).max(axis=2) < 60
        assert near.sum() > 20, f"colour {colour} is seen"


def test_a_solid_is_drawn_from_an_angle(tmp_path: Path) -> None:
    draw_route(route(solid("cube")), tmp_path / "cube.png", size=400)
    assert pixels(tmp_path / "cube.png").min() < 50
