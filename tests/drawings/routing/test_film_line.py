"""A film's line keeps its start, direction and order from frame to frame, and its contours lie where the picture has them."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from instrument.drawings.limits import DrawingError
from instrument.drawings.load import LoadOptions, SampledFrames, load
from instrument.drawings.readers.by_ending import ReadOptions
from instrument.drawings.readers.film_frames import Film
from instrument.drawings.readers.picture_contours import Tracing
from instrument.drawings.routing.film_line import film_routes
from instrument.drawings.routing.sampling import Sampling
from instrument.drawings.worker.client import Worker
from tests.drawings.films import HIGH, SIDE, WIDE, animated, picture, write_film


def loaded(path: Path, **sampling: object) -> SampledFrames:
    options = LoadOptions(ReadOptions(tracing=Tracing(blur=0.5)), sampling=Sampling(fit="original", **sampling))  # type: ignore[arg-type]
    return load([path], options=options)


def test_the_contour_of_a_moving_square_follows_it_within_a_pixel(tmp_path: Path) -> None:
    lefts, tops = [10 + 3 * k for k in range(30)], [20 + 2 * k for k in range(30)]
    path = write_film(tmp_path / "crate.mp4", [picture(x, y) for x, y in zip(lefts, tops, strict=True)])
    found = loaded(path)
    assert found.points.shape[0] == 30
    assert found.seconds == pytest.approx(1.2, abs=0.002)
    for frame, left, top in zip(found.points, lefts, tops, strict=True):
        low, high = frame.min(axis=0), frame.max(axis=0)
        assert [low[0], high[0], -high[1], -low[1]] == pytest.approx([left, left + SIDE, top, top + SIDE], abs=1.0)


def test_points_move_from_frame_to_frame_as_far_as_the_square_does(tmp_path: Path) -> None:
    path = write_film(tmp_path / "crate.mp4", [picture(10 + 3 * k) for k in range(30)])
    steps = np.diff(loaded(path).points, axis=0)
    # 3 pixels to the right, give or take one, at every point of the line: it neither turns round nor begins elsewhere.
    assert np.abs(steps - [3.0, 0.0, 0.0]).max() < 1.5


def discs(*places: tuple[float, float, float]) -> NDArray[np.uint8]:
    y, x = np.mgrid[:HIGH, :WIDE]
    found = np.full((HIGH, WIDE), 240, np.uint8)
    for left, top, radius in places:
        found[(x - left) ** 2 + (y - top) ** 2 < radius**2] = 10
    return found


def film_of(pictures: list[NDArray[np.uint8]]) -> Film:
    return Film(pictures, len(pictures) / 25, (1.0, 1.0))


def test_contours_keep_their_order_as_they_move_past_each_other() -> None:
    ways = [discs((20 + 4 * k, 30, 9), (140 - 4 * k, 60, 12), (80, 95, 15)) for k in range(30)]
    routes, _ = film_routes(film_of(ways))
    first = routes[0]
    for route in routes[1:]:
        assert route.figures.components == 3
        # Each contour's length tells which it is.
        sizes = [np.ptp(part[:, 0]) for part in parts(route.line, route.kinds)]
        assert sizes == pytest.approx([np.ptp(part[:, 0]) for part in parts(first.line, first.kinds)], abs=2)


def parts(line: NDArray[np.float64], kinds: NDArray[np.uint8]) -> list[NDArray[np.float64]]:
    return np.split(line, np.flatnonzero(kinds == 2) + 1)[:-1]


def test_time_is_shared_out_alike_while_the_contours_stay_the_same() -> None:
    ways = [discs((30 + k, 30, 9 + 0.05 * k), (100, 70, 20)) for k in range(20)]
    routes, _ = film_routes(film_of(ways))
    ends = [np.cumsum(route.timing.lasts)[np.flatnonzero(route.kinds == 2)] for route in routes]  # type: ignore[union-attr]
    assert all(end == pytest.approx(ends[0]) for end in ends[1:])


def test_a_contour_that_comes_or_goes_leaves_the_others_in_their_order() -> None:
    ways = [
        discs((30, 30, 9), (120, 40, 12)),
        discs((30, 30, 9), (120, 40, 12), (70, 90, 15)),
        discs((30, 30, 9), (70, 90, 15)),
    ]
    routes, _ = film_routes(film_of(ways))
    assert [route.figures.components for route in routes] == [2, 3, 2]
    assert all(np.isfinite(route.line).all() for route in routes)


def test_a_frame_without_a_contour_keeps_the_line_of_the_one_before() -> None:
    blank = picture(0, dark=False)
    routes, notes = film_routes(film_of([blank, picture(20), blank, picture(40)]))
    lefts = [route.line[:, 0].min() for route in routes]
    assert lefts == pytest.approx([20, 20, 20, 40], abs=1)
    assert notes == ("2 frames without a contour keep the line of the one before",)


def test_a_film_without_any_contour_is_refused() -> None:
    with pytest.raises(DrawingError, match="no contour was found in any frame"):
        film_routes(film_of([picture(0, dark=False)] * 3))


def test_a_mark_that_hovers_at_the_least_length_does_not_flicker() -> None:
    # Just above the least length in the first frame, just below in each second one.
    ways = [discs((100, 60, 30), (30, 30, 6.6 if k % 2 == 0 else 6.2)) for k in range(8)]
    shortest = 2 * np.pi * 6.4 / (2 * (HIGH + WIDE))
    routes, _ = film_routes(film_of(ways), Tracing(smallest=shortest, blur=0.5))
    assert {route.figures.components for route in routes} == {2}


@pytest.mark.parametrize(("kind", "ending"), [("GIF", ".gif"), ("WEBP", ".webp"), ("PNG", ".png")])
def test_animated_pictures_become_lines_as_films_do(tmp_path: Path, kind: str, ending: str) -> None:
    path = tmp_path / f"crate{ending}"
    path.write_bytes(animated(kind, [picture(10 + 3 * k) for k in range(10)]))
    found = loaded(path, points=512)
    assert found.points.shape == (10, 512, 3)
    assert found.seconds == pytest.approx(0.4)


def test_a_film_beside_another_drawing_is_refused(tmp_path: Path) -> None:
    path = write_film(tmp_path / "crate.mp4", [picture(10), picture(13)])
    with pytest.raises(DrawingError, match=r"crate\.mp4: a film is a drawing by itself; name no other one beside it"):
        load([path, path])


def test_the_process_that_reads_drawings_reads_films_behind_its_walls_and_says_how_far_it_is(tmp_path: Path) -> None:
    path = write_film(tmp_path / "crate.mp4", [picture(10 + 3 * k) for k in range(30)])
    told: list[str] = []
    with Worker() as worker:
        found = worker.load([path], progress=told.append)
    assert found.points.shape[0] == 30
    assert found.seconds == pytest.approx(1.2, abs=0.002)
    assert {"read crate.mp4", "film, 1 of 1 s", "contours, frame 26 of 30"} <= set(told)
