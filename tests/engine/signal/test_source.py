"""Sources: sums of sines against their closed form, paths against linear interpolation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.engine.memory.layout import TERMS
from instrument.engine.parameters import LIVE_TERMS
from tests.engine.playing import RATE, bare_program, exact_points, largest_step, started, terms

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.engine.program import Program

FREQUENCY = 110.0


def harmonic(
    x: NDArray[np.float64], y: NDArray[np.float64] | None = None, z: NDArray[np.float64] | None = None
) -> Program:
    program = bare_program()
    program.draw_harmonic(0, (x, terms() if y is None else y, terms() if z is None else z))
    program.schedule()
    return program


def path(points: NDArray[np.float64], frequency: float = FREQUENCY) -> Program:
    program = bare_program()
    program.draw_path(0, points)
    program.set("layer.1.pen.frequency", frequency)
    program.schedule()
    return program


def closed_form(table: NDArray[np.float64], frames: int) -> NDArray[np.float64]:
    """Return the sum of sines at samples 1, 2, 3 ..., each term running on for ever."""
    turns = np.arange(1, frames + 1)[:, None] * FREQUENCY / RATE
    amplitude, ratio, phase = table.T
    return np.asarray((amplitude * np.sin(2 * np.pi * (turns * ratio + phase))).sum(axis=1))


def random_terms(count: int, seed: int, *, whole: bool) -> NDArray[np.float64]:
    random = np.random.default_rng(seed)
    ratio = random.integers(-20, 20, count).astype(float) if whole else random.uniform(-20, 20, count)
    return np.stack([random.uniform(-1, 1, count) / count, ratio, random.uniform(-2, 2, count)], axis=1)


@pytest.mark.parametrize("count", [1, 3, LIVE_TERMS, LIVE_TERMS + 1, 40, TERMS])
def test_terms_of_whole_ratios_are_a_sum_of_sines(count: int) -> None:
    tables = [random_terms(count, seed, whole=True) for seed in range(3)]
    found = exact_points(started(harmonic(*tables)), 3000)
    for axis, table in enumerate(tables):
        np.testing.assert_allclose(found[:, axis], closed_form(table, 3000), atol=1e-9)


@pytest.mark.parametrize("count", [1, LIVE_TERMS, LIVE_TERMS + 5])
def test_terms_of_any_ratio_run_on_from_round_to_round(count: int) -> None:
    table = random_terms(count, 7, whole=False)
    found = exact_points(started(harmonic(table)), 20_000)[:, 0]
    np.testing.assert_allclose(found, closed_form(table, 20_000), atol=1e-9)


@settings(max_examples=30)
@given(st.floats(-30.0, 30.0), st.floats(-3.0, 3.0))
def test_a_single_term_of_any_ratio_and_phase_is_a_sine(ratio: float, phase: float) -> None:
    table = terms((0.8, ratio, phase))
    found = exact_points(started(harmonic(table)), 1500)[:, 0]
    np.testing.assert_allclose(found, closed_form(table, 1500), atol=1e-9)


def test_an_axis_without_terms_draws_zero() -> None:
    found = exact_points(started(harmonic(terms((0.5, 1, 0)))), 500)
    assert (found[:, 1:] == 0.0).all()


def test_amplitude_and_phase_of_a_term_can_be_played() -> None:
    engine = started(harmonic(terms((0.5, 1, 0), (0.0, 2, 0))))
    engine.set("layer.1.source.x.2.amplitude", 0.25)
    engine.set("layer.1.source.x.2.phase", 0.125)
    table = terms((0.5, 1, 0), (0.25, 2, 0.125))
    np.testing.assert_allclose(exact_points(engine, 500)[:, 0], closed_form(table, 500), atol=1e-9)


@pytest.mark.parametrize("ramp_seconds", [0.0, 0.005, 0.5])
@pytest.mark.parametrize("goal", [3.7, -2.5, 5.0, 0.0])
def test_a_ratio_being_turned_makes_no_jump(ramp_seconds: float, goal: float) -> None:
    program = harmonic(terms((0.5, 2, 0.1)))
    program.record["ramp_seconds"] = ramp_seconds
    engine = started(program)
    before = exact_points(engine, 1234)[:, 0]
    engine.set("layer.1.source.x.1.ratio", goal)
    after = exact_points(engine, 48_000)[:, 0]
    fastest = 0.5 * 2 * np.pi * max(2.0, abs(goal)) * FREQUENCY / RATE
    assert largest_step(np.concatenate([before, after])) <= fastest * (1 + 1e-9)


def test_a_ratio_turned_there_and_back_is_a_sine_of_the_first_frequency_again() -> None:
    engine = started(harmonic(terms((0.5, 2, 0.0))))
    engine.set("layer.1.source.x.1.ratio", 2.37)
    exact_points(engine, 3001)
    engine.set("layer.1.source.x.1.ratio", 2.0)
    x = exact_points(engine, 3000)[:, 0]
    # Every sine of one frequency obeys x[i + 1] + x[i - 1] = 2 cos(w) x[i].
    twice_cosine = 2 * np.cos(2 * np.pi * 2 * FREQUENCY / RATE)
    np.testing.assert_allclose((x[2:] + x[:-2])[1:], (twice_cosine * x[1:-1])[1:], atol=1e-9)


@pytest.mark.parametrize("count", [1, 2, 3, 100, 4097])
def test_a_path_is_linear_between_its_points_and_closed(count: int) -> None:
    points = np.random.default_rng(count).uniform(-1, 1, (count, 3))
    found = exact_points(started(path(points)), 3000)
    at = np.arange(1, 3001) * FREQUENCY / RATE % 1.0 * count
    for axis in range(3):
        wanted = np.interp(at, np.arange(count + 1), np.append(points[:, axis], points[0, axis]))
        np.testing.assert_allclose(found[:, axis], wanted, atol=1e-9)


def test_the_pen_runs_along_a_path_at_constant_speed() -> None:
    side = np.linspace(-0.5, 0.5, 50, endpoint=False)
    low, high = np.full(50, -0.5), np.full(50, 0.5)
    square = np.concatenate(
        [np.stack(pair, axis=1) for pair in ((side, low), (high, side), (-side, high), (low, -side))]
    )
    found = exact_points(started(path(np.column_stack([square, np.zeros(200)]))), 4800)
    steps = np.hypot(*np.diff(found[:, :2], axis=0).T)
    wanted = 4.0 * FREQUENCY / RATE
    cut_corners = steps < wanted * (1 - 1e-9)
    np.testing.assert_allclose(steps[~cut_corners], wanted, rtol=1e-9)
    assert np.count_nonzero(cut_corners) <= 4 * (4800 * FREQUENCY / RATE + 1)


def test_two_layers_follow_their_own_paths() -> None:
    program = bare_program()
    program.draw_path(0, np.array([[0.25, 0.0, 0.0]]))
    program.draw_path(5, np.array([[0.0, -0.5, 0.125]]))
    program.schedule()
    engine = started(program)
    np.testing.assert_array_equal(engine.render(10), np.full((10, 2), [0.25, -0.5], np.float32))


@pytest.mark.parametrize("count", [1, LIVE_TERMS + 2])
@pytest.mark.parametrize("length", [2.0, 3.0, -1.0, -2.0])
def test_a_drawing_run_through_several_times_a_round_makes_no_jump(length: float, count: int) -> None:
    table = random_terms(count, 3, whole=False)
    program = harmonic(table)
    program.set("layer.1.pen.length", length)
    found = exact_points(started(program), 5000)[:, 0]
    turns = np.arange(1, 5001)[:, None] * length * FREQUENCY / RATE
    amplitude, ratio, phase = table.T
    wanted = (amplitude * np.sin(2 * np.pi * (turns * ratio + phase))).sum(axis=1)
    np.testing.assert_allclose(found, wanted, atol=1e-9)


def flip_book(count: int = 4, points: int = 50) -> NDArray[np.float64]:
    return np.random.default_rng(count).uniform(-1, 1, (count, points, 3))


@pytest.mark.parametrize("frame", [0.0, 1.0, 1.25, 2.5, 3.75, 4.0, 6.5, -0.5, -9.0])
def test_a_flip_book_blends_each_frame_into_the_next_and_the_last_into_the_first(frame: float) -> None:
    frames = flip_book()
    program = path(frames)
    program.set("layer.1.source.frame", frame)
    found = exact_points(started(program), 1000)
    below = int(np.floor(frame))
    share = frame - below
    pages = [exact_points(started(path(frames[k % 4])), 1000) for k in (below, below + 1)]
    np.testing.assert_allclose(found, (1 - share) * pages[0] + share * pages[1], atol=1e-12)


@pytest.mark.parametrize(("frame", "page"), [(0.0, 0), (0.99, 0), (1.01, 1), (3.99, 3), (4.5, 0), (-0.5, 3)])
def test_a_flip_book_without_blending_cuts(frame: float, page: int) -> None:
    frames = flip_book()
    program = path(frames)
    program.set("layer.1.source.frame", frame)
    program.set("layer.1.source.blend", 0.0)
    np.testing.assert_array_equal(exact_points(started(program), 500), exact_points(started(path(frames[page])), 500))


@pytest.mark.parametrize("number", [np.inf, -np.inf, np.nan, 1e308, -1e308, 5e-324])
def test_a_frame_that_is_no_number_never_leaves_the_book(number: float) -> None:
    engine = started(path(flip_book()))
    engine.set("layer.1.source.frame", number)
    assert np.abs(exact_points(engine, 500)).max() <= 1.0


@pytest.mark.parametrize("count", [2, 3, 7, 49, 98, 100])
@pytest.mark.parametrize("round_number", [0, 1, -1])
def test_a_flip_book_that_cuts_shows_exactly_the_frame_asked_for(count: int, round_number: int) -> None:
    frames = np.zeros((count, 1, 3))
    frames[:, 0, 0] = np.arange(count) / count
    program = path(frames)
    program.set("layer.1.source.blend", 0.0)
    program.set("layer.1.pen.frequency", 12_000.0)  # a round is four samples, and pages turn when one begins
    engine = started(program)
    for frame in range(count):
        engine.set("layer.1.source.frame", frame + round_number * count)
        assert float(exact_points(engine, 5)[-1, 0]) == frame / count
