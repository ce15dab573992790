"""Turning a routed path in the engine draws what routing the turned drawing draws: no turn needs a new route."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from instrument.drawings.routing.closed_line import RouteOptions, StepKind
from instrument.drawings.routing.route import route
from instrument.drawings.routing.sampling import Sampling, sample
from instrument.drawings.strokes import Drawing
from instrument.engine.engine import Engine
from instrument.engine.program import new_program

RATE = 48_000.0
POINTS = 1500
SAMPLING = Sampling(points=POINTS, fit="original")

Floats = np.ndarray[tuple[int, ...], np.dtype[np.float64]]


@functools.cache
def net(pieces: int = 2) -> Drawing:
    """A fishing net torn in two, uneven, so that no two ways over it are equally long; within 0.6 of the middle."""
    random = np.random.default_rng(7)
    points, edges = [], []
    for piece in range(pieces):
        place = random.uniform(-0.25, 0.25, (14, 3)) + np.array([0.3 * (2 * piece - 1), 0, 0])
        near = np.linalg.norm(place[:, None] - place[None], axis=2)
        pairs = {(int(min(k, n)), int(max(k, n))) for k in range(14) for n in near[k].argsort()[1:4]}
        edges += [(a + 14 * piece, b + 14 * piece) for a, b in sorted(pairs)]
        points.append(place)
    return Drawing(np.concatenate(points), np.array(edges, np.int64))


def played(points: Floats, turn: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Floats:
    """One cycle as it leaves the engine, after the fade of the beginning."""
    program = new_program()
    program.draw_path(0, points)
    program.set("layer.1.pen.frequency", RATE / POINTS)
    for axis, turns in zip("xyz", turn, strict=True):
        program.set(f"layer.1.place.turn.{axis}", turns)
    engine = Engine(RATE)
    engine.play(program)
    return np.asarray(engine.render(4 * POINTS)[-POINTS:], np.float64)


@settings(max_examples=15, deadline=None)
@given(st.tuples(*[st.floats(-1.0, 1.0)] * 3), st.sampled_from([0.5, 4.0, float("inf")]))
def test_turning_the_path_equals_routing_the_turned_drawing(turn: tuple[float, float, float], jump_cost: float) -> None:
    options = RouteOptions(jump_cost=jump_cost)
    # The engine turns about x, then y, then z, each fixed in space: SciPy's lower-case "xyz".
    turned_points = Rotation.from_euler("xyz", 360 * np.array(turn), degrees=True).apply(net().points)
    as_drawn = route(net(), options)
    as_turned = route(Drawing(turned_points, net().edges), options)
    # Jumps stand in the line as well, so this holds for what is drawn and for what is not.
    assert (as_drawn.kinds == StepKind.JUMP).any()
    in_engine = played(sample(as_drawn, SAMPLING).points, turn)
    beforehand = played(sample(as_turned, SAMPLING).points)
    # Output is float32 within 1; a corner may fall one table step aside when a length rounds otherwise.
    assert in_engine == pytest.approx(beforehand, abs=1e-6)


def test_the_comparison_would_see_another_route_and_another_turn() -> None:
    points = sample(route(net()), SAMPLING).points
    reverse = sample(route(net(), RouteOptions(reverse=True)), SAMPLING).points
    assert np.abs(played(points) - played(reverse)).max() > 0.1
    assert np.abs(played(points, (0.0, 0.0, 1e-3)) - played(points)).max() > 1e-3
