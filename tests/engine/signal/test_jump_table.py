"""The table of jumps: samples by length, what is refused, and the figures that were computed for it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.engine.program import new_program
from instrument.engine.signal.jump_table import TREMBLE, lay_jumps, leaps_of, profile_of, samples_for
from tools.benches.jumps import ringing_of


def path_with(*at: int, count: int = 12) -> tuple[np.ndarray, np.ndarray]:
    leaps = np.zeros((1, count), bool)
    leaps[0, list(at)] = True
    return np.random.default_rng(3).uniform(-1, 1, (count, 3)), leaps


@pytest.mark.parametrize("distance", [0.1, 0.4, 1.0])
def test_a_jump_takes_so_many_samples_that_it_trembles_by_its_allowance(distance: float) -> None:
    samples = float(samples_for(np.array([distance]), 2.0)[0])
    assert distance * ringing_of(samples) == pytest.approx(2.0 * TREMBLE, rel=0.15)


@given(st.floats(0.0, 10.0), st.floats(0.0, 10.0))
def test_a_longer_jump_takes_no_fewer_samples(one: float, other: float) -> None:
    short, far = samples_for(np.array(sorted([one, other])), 2.0)
    assert 0.0 <= short <= far <= 4.0


@pytest.mark.parametrize("samples", [0.0, 1.0, 2.1, 3.0, 64.0])
def test_the_way_of_a_jump_runs_evenly_on(samples: float) -> None:
    third, fifth = profile_of(np.array([samples]))[0]
    u = np.linspace(-1, 1, 201)
    way = u * (1 - third - fifth) + third * u**3 + fifth * u**5
    assert way[[0, 100, 200]].tolist() == pytest.approx([-1.0, 0.0, 1.0])
    assert (np.diff(way) > 0.0).all()


def test_the_table_tells_where_jumps_are() -> None:
    program = new_program()
    points, leaps = path_with(3, 7, 11)
    program.draw_path(2, points)
    lay_jumps(program, 2, leaps)
    np.testing.assert_array_equal(leaps_of(program.jumps[2], 12), leaps)
    program.draw_path(2, points)
    assert program.jumps == {}
    assert program.record["layers"][2]["jump_rows"] == 0


def test_nothing_is_laid_where_there_is_no_jump() -> None:
    program = new_program()
    points, leaps = path_with()
    program.draw_path(0, points)
    lay_jumps(program, 0, leaps)
    assert program.jumps == {}


@pytest.mark.parametrize(
    ("at", "more", "words"),
    [
        ((3, 4), {}, "follow one another"),
        ((0, 11), {}, "follow one another"),
        ((3,), {"samples": 65.0}, "0 to 64 samples"),
        ((3,), {"samples": float("nan")}, "0 to 64 samples"),
        ((3,), {"share": 0.95}, "from 0 to 0.9"),
    ],
)
def test_what_cannot_be_played_is_refused(at: tuple[int, ...], more: dict[str, float], words: str) -> None:
    program = new_program()
    points, leaps = path_with(*at)
    program.draw_path(0, points)
    with pytest.raises(ValueError, match=words):
        lay_jumps(program, 0, leaps, **more)


def test_jumps_of_another_path_are_refused() -> None:
    program = new_program()
    program.draw_path(0, np.zeros((5, 3)))
    with pytest.raises(ValueError, match="of a path of"):
        lay_jumps(program, 0, path_with(3)[1])
