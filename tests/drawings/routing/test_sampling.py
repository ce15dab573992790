"""The table that the engine plays: constant pen speed, quick jumps, rests on corners, fitted to the unit cube."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings

from instrument.drawings.routing.closed_line import Route, StepKind
from instrument.drawings.routing.route import route
from instrument.drawings.routing.sampling import Sampling, fit_to_box, sample
from instrument.drawings.strokes import Drawing, from_strokes
from tests.drawings.drawings import drawings, solid

if TYPE_CHECKING:
    from numpy.typing import NDArray

CIRCLE = [(math.cos(a), math.sin(a)) for a in np.linspace(0, 2 * math.pi, 721)]
SQUARE = [(0, 0), (4, 0), (4, 4), (0, 4), (0, 0)]


def spacing(points: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1))


def distance_to_line(points: NDArray[np.float64], found: Route, line: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of each point from the nearest step of the route."""
    del found
    start, along = line, np.roll(line, -1, axis=0) - line
    square = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
    share = np.clip(np.einsum("pij,ij->pi", points[:, None] - start, along) / square, 0, 1)
    return np.asarray(np.linalg.norm(points[:, None] - start - share[..., None] * along, axis=2).min(axis=1))


def test_points_on_a_circle_are_evenly_spaced() -> None:
    apart = spacing(sample(route(from_strokes([CIRCLE])), Sampling(points=1000)).points)
    assert np.ptp(apart) / apart.mean() < 0.01


def test_points_along_the_edges_of_a_solid_are_evenly_spaced() -> None:
    found = route(solid("dodecahedron"))
    path = sample(found, Sampling(points=4096))
    apart = spacing(path.points)
    mean = np.median(apart)
    # A chord over a corner is shorter than the way round it; everywhere else the spacing is the same.
    off = np.abs(apart / mean - 1) > 0.01
    assert off.sum() <= path.corners
    assert (apart <= mean * 1.01).all()


@given(drawings())
@settings(max_examples=60, deadline=None)
def test_every_point_lies_on_the_line_and_within_the_cube(drawing: Drawing) -> None:
    found = route(drawing)
    path = sample(found, Sampling(points=256))
    assert path.points.shape == (256, 3)
    assert np.abs(path.points).max() <= 1.0
    assert distance_to_line(path.points, found, fit_to_box(found.line)).max() < 1e-9


@given(drawings())
@settings(max_examples=60, deadline=None)
def test_no_point_is_further_from_the_next_than_speed_allows(drawing: Drawing) -> None:
    found = route(drawing)
    path = sample(found, Sampling(points=512, fit="original", jump_speed=3.0))
    figures = found.figures
    time = figures.length + figures.repeated_length + figures.jump_length / 3
    slow = time / 512
    apart = spacing(path.points)
    crosses_a_jump = (path.kinds == StepKind.JUMP) | (np.roll(path.kinds, -1) == StepKind.JUMP)
    within_a_step = np.array(figures.jumps > 0) & (apart > slow * (1 + 1e-9))
    assert (apart <= 3 * slow * (1 + 1e-9)).all()
    # A short jump may lie wholly between two points on strokes, so only the count of quick places is bounded.
    assert (within_a_step & ~crosses_a_jump).sum() <= figures.jumps


def test_a_jump_takes_a_share_of_the_time() -> None:
    two = from_strokes([SQUARE, [(x + 20, y) for x, y in SQUARE]])
    slow = sample(route(two), Sampling(points=8192, jump_speed=1.0))
    quick = sample(route(two), Sampling(points=8192, jump_speed=16.0))
    none = sample(route(two), Sampling(points=8192, jump_speed=math.inf))
    jumping = [int((path.kinds == StepKind.JUMP).sum()) for path in (slow, quick, none)]
    # There and back over 16 units, against two squares of 16 each.
    assert jumping[0] == pytest.approx(8192 * 32 / 64, abs=2)
    assert jumping[1] == pytest.approx(8192 * 2 / 34, abs=2)
    assert jumping[2] == 0


def test_the_pen_rests_on_corners_for_the_share_that_is_set() -> None:
    path = sample(route(from_strokes([SQUARE])), Sampling(points=4000, corner_dwell=0.5))
    resting = spacing(path.points) == 0.0
    assert resting.sum() == pytest.approx(2000, abs=8)
    moving = spacing(path.points)[~resting]
    assert np.median(moving) == pytest.approx(8 / 2000, rel=1e-6)


def test_fitting_centres_and_keeps_the_proportions() -> None:
    path = sample(route(from_strokes([[(10, 10), (18, 10), (18, 14), (10, 14), (10, 10)]])))
    assert path.points.min(axis=0).tolist() == [-1.0, -0.5, 0.0]
    assert path.points.max(axis=0).tolist() == [1.0, 0.5, 0.0]


def test_the_original_scale_is_kept_on_request() -> None:
    path = sample(route(from_strokes([SQUARE])), Sampling(fit="original", points=16))
    assert path.points.tolist()[:5] == [[x, 0, 0] for x in range(4)] + [[4, 0, 0]]


def test_turning_the_samples_equals_sampling_the_turned_drawing() -> None:
    random = np.random.default_rng(7)
    points = random.normal(size=(30, 3))
    edges = np.unique(np.sort(random.integers(0, 30, (50, 2)), axis=1), axis=0)
    edges = edges[edges[:, 0] != edges[:, 1]]
    turn, _ = np.linalg.qr(random.normal(size=(3, 3)))
    kept = Sampling(fit="original", points=2048)
    plain = sample(route(Drawing(points, edges)), kept)
    turned = sample(route(Drawing(points @ turn.T, edges)), kept)
    np.testing.assert_allclose(plain.points @ turn.T, turned.points, atol=1e-9)


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ({"points": 1}, "points must be at least 2"),
        ({"jump_speed": 0}, "jump_speed must be a number above 0"),
        ({"jump_speed": math.nan}, "jump_speed must be a number above 0"),
        ({"corner_dwell": 1.0}, "corner_dwell must be in the range 0 to less than 1"),
        ({"fit": "screen"}, "fit must be 'box' or 'original'"),
    ],
)
def test_settings_that_mean_nothing_are_refused(setting: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Sampling(**setting)  # type: ignore[arg-type]


def test_a_curve_has_no_corners_to_rest_on() -> None:
    # A drop: a half circle, and two straight lines that meet in its one corner.
    turns = np.linspace(0.0, np.pi, 60)
    drop = [*zip(np.cos(turns), -np.sin(turns), strict=True), (0.0, 2.0), (1.0, 0.0)]
    path = sample(route(from_strokes([drop])), Sampling(points=4000, corner_dwell=0.5))
    rests = path.points[:-1][np.linalg.norm(np.diff(path.points, axis=0), axis=1) < 1e-9]
    tip = path.points[np.argmax(path.points[:, 1])]
    # Where the lines leave the half circle they turn by 27 degrees, which are corners too.
    places = np.unique(rests.round(6), axis=0)
    assert len(places) == 3
    assert np.linalg.norm(places - tip, axis=1).min() < 1e-6
