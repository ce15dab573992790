"""Eased jumps: their samples, their ends and their way, whatever the pitch, against the same formula in NumPy."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.engine.engine import Engine
from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from instrument.engine.signal.jump_table import HEAD, ROW, lay_jumps, profile_of
from tests.engine.playing import RATE, bare_program, exact_points, started
from tests.engine.voicing import key, play, with_notes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.engine.program import Program

POINTS = 44
LEFT, RIGHT = -0.5, 0.25


def two_strokes() -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Up on the left, down on the right, in 21 steps each, and where the two jumps between them are."""
    rise = np.linspace(-0.4, 0.4, POINTS // 2)
    left = np.stack([np.full(POINTS // 2, LEFT), rise, 0 * rise], axis=1)
    right = np.stack([np.full(POINTS // 2, RIGHT), -rise, 0.1 + 0 * rise], axis=1)
    leaps = np.zeros(POINTS, bool)
    leaps[[POINTS // 2 - 1, POINTS - 1]] = True
    return np.concatenate([left, right]), leaps


def eased(frequency: float = 110.0, samples: float | None = None, share: float = 0.25, **values: float) -> Program:
    program = bare_program()
    points, leaps = two_strokes()
    program.draw_path(0, points)
    lay_jumps(program, 0, leaps[np.newaxis], samples, share)
    program.set("layer.1.pen.frequency", frequency)
    for name, value in values.items():
        program.set(f"layer.1.pen.{name}", value)
    program.schedule()
    return program


def on_jumps(found: NDArray[np.float64]) -> NDArray[np.bool_]:
    return (np.abs(found[:, 0] - LEFT) > 1e-12) & (np.abs(found[:, 0] - RIGHT) > 1e-12)


def by_formula(turns: NDArray[np.float64], pace: float, samples: float) -> NDArray[np.float64]:
    """Return the two strokes and their jumps at places of the cycle, by the formula of the kernel's page."""
    points, _ = two_strokes()
    lasts = samples * pace
    stroke = 0.5 - lasts
    third, fifth = profile_of(np.array([samples]))[0]
    rise = 0.8 / stroke * lasts
    found = np.zeros((len(turns), 3))
    for k, turn in enumerate(turns % 1.0):
        half = 0 if turn < 0.5 else 1
        at = turn - 0.5 * half
        first = points[half * POINTS // 2]
        way = np.array([0.0, 0.8 if half == 0 else -0.8, 0.0])
        if at < stroke:
            found[k] = first + at / stroke * way
            continue
        s = (at - stroke) / lasts
        u = 2 * s - 1
        f = 0.5 + (u * (1 - third - fifth) + third * u**3 + fifth * u**5) / 2
        swing = s * (1 - s) ** 2 * (0.92 + 0.53 * s) - -1 * (1 - s) * s**2 * (0.92 + 0.53 * (1 - s))
        across = points[(half + 1) % 2 * POINTS // 2] - (first + way)
        # Both strokes run the other way, so that leaving and landing push to the same side.
        found[k] = first + way + f * across + swing * rise * np.sign(way)
    return found


@pytest.mark.parametrize("frequency", [110.0, 441.3, 30.7])
def test_strokes_and_jumps_are_those_of_the_formula(frequency: float) -> None:
    found = exact_points(started(eased(frequency, 3.3)), 2000)
    turns = np.asarray(np.arange(1, 2001) * frequency / RATE, np.float64)
    np.testing.assert_allclose(found, by_formula(turns, frequency / RATE, 3.3), atol=1e-8)


@pytest.mark.parametrize("frequency", [55.0, 110.0, 503.7])
@pytest.mark.parametrize("samples", [1.5, 4.0])
def test_a_jump_takes_its_samples_at_any_pitch(frequency: float, samples: float) -> None:
    rounds = 50
    found = exact_points(started(eased(frequency, samples)), int(rounds * RATE / frequency))
    assert on_jumps(found).sum() / (2 * rounds) == pytest.approx(samples, rel=0.06)


def test_the_longer_jump_takes_more_samples_unless_they_are_set() -> None:
    points, leaps = two_strokes()
    points[POINTS // 2 :, 1] += 0.3
    program = bare_program()
    program.draw_path(0, points)
    lay_jumps(program, 0, leaps[np.newaxis])
    rows = program.jumps[0][0, HEAD:].reshape(-1, ROW)
    assert rows[0, 2] == pytest.approx(rows[1, 2])
    points[POINTS // 2, 1] = 1.0
    program.draw_path(0, points)
    lay_jumps(program, 0, leaps[np.newaxis])
    rows = program.jumps[0][0, HEAD:].reshape(-1, ROW)
    assert rows[0, 2] != rows[1, 2]


def test_jumps_together_take_no_more_than_their_share() -> None:
    found = exact_points(started(eased(3971.3, 10.0, share=0.3)), 12000)
    assert on_jumps(found).mean() == pytest.approx(0.3, abs=0.01)


def test_the_way_across_never_turns_back() -> None:
    found = exact_points(started(eased(3.0, 60.0)), int(RATE / 3))[:, 0]
    there, back = np.argmax(found == RIGHT), len(found)
    assert (np.diff(found[:there]) >= 0.0).all()
    assert (np.diff(found[there:back]) <= 0.0).all()


def test_a_jump_begins_and_lands_as_the_strokes_run() -> None:
    # So slow that the steps of samples are small: the largest step beside a jump is little more than a stroke's.
    found = exact_points(started(eased(3.0, 60.0)), int(RATE / 3))
    speed = np.diff(found[:, 1])
    begins = np.flatnonzero(np.diff(on_jumps(found).astype(int)) != 0)
    usual = np.abs(np.median(speed[: begins[0]]))
    assert np.abs(speed[begins[0] + 1] / usual - 0.92) < 0.1
    assert np.abs(speed[begins[1] - 1] / -usual - 0.92) < 0.1


@given(st.floats(10.0, 3000.0), st.floats(0.0, 64.0), st.integers(0, 2), st.floats(-2.0, 2.0), st.integers(1, 40))
@settings(max_examples=25, deadline=None)
def test_the_block_changes_no_bit(frequency: float, samples: float, way: int, length: float, depth: int) -> None:
    program = eased(frequency, samples, direction=float(way), length=length)
    program.modulate(0, MODULATOR_LFO)
    program.set("mod.1.rate", 97.0)
    program.link(0, 0, "layer.1.pen.bend")
    program.set("link.1.depth", float(depth))
    program.schedule()
    whole = Engine(RATE)
    whole.play(program)
    expected = whole.render(700, block=700)
    for block in (1, 7, 64):
        engine = Engine(RATE)
        engine.play(program)
        np.testing.assert_array_equal(engine.render(700, block=block), expected)
    assert np.isfinite(expected).all()


@pytest.mark.parametrize("name", ["frequency", "length", "start", "bend", "direction"])
@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e308, -1e308, 0.0, 1e-320])
def test_any_number_leaves_finite_points_within_the_drawing(name: str, value: float) -> None:
    program = eased(110.0, 64.0, share=0.9)
    program.set(f"layer.1.pen.{name}", value)
    found = exact_points(started(program), 300)
    assert np.isfinite(found).all()
    # A jump swings by a sixth of its run-in at most, here of strokes that have a tenth of the cycle.
    assert np.abs(found).max() < 2.0


def test_a_pitch_that_moves_moves_the_jump_with_it() -> None:
    engine = started(eased(100.0, 8.0))
    exact_points(engine, 1000)
    engine.set("layer.1.pen.frequency", 400.0, at_once=True)
    exact_points(engine, 64)
    jumping = on_jumps(exact_points(engine, 12000)).sum()
    assert jumping == pytest.approx(12000 / RATE * 400.0 * 2 * 8.0, rel=0.05)


def test_each_voice_has_the_samples_of_its_own_pitch() -> None:
    def heard(*keys: int) -> NDArray[np.float32]:
        program = with_notes(bare_program(), 2.0)
        points, leaps = two_strokes()
        program.draw_path(0, 0.2 * points)
        lay_jumps(program, 0, leaps[np.newaxis], 6.0)
        program.set("layer.1.pen.frequency", 440.0)
        engine = started(program)
        play(engine, *(key(number) for number in keys))
        return engine.render(3000)

    together, low, high = heard(45, 57), heard(45), heard(57)
    assert np.abs(low).max() > 0.01
    assert np.abs(low - high).max() > 0.01
    np.testing.assert_allclose(together, low + high, atol=1e-6)


def test_a_page_of_a_flip_book_is_the_drawing_alone_and_half_way_lies_between() -> None:
    points, leaps = two_strokes()
    turned = np.roll(points, -5, axis=0)[:, [1, 0, 2]]
    pages, marks = np.stack([points, turned]), np.stack([leaps, np.roll(leaps, -5)])

    def drawn(path: NDArray[np.float64], jumps: NDArray[np.bool_], frame: float = 0.0) -> NDArray[np.float64]:
        program = bare_program()
        program.draw_path(0, path)
        lay_jumps(program, 0, jumps, 3.0)
        program.set("layer.1.source.frame", frame)
        program.schedule()
        return exact_points(started(program), 900)

    first, second = drawn(points, marks[:1]), drawn(turned, marks[1:])
    np.testing.assert_array_equal(drawn(pages, marks, 0.0), first)
    np.testing.assert_array_equal(drawn(pages, marks, 1.0), second)
    np.testing.assert_allclose(drawn(pages, marks, 0.5), (first + second) / 2, atol=1e-12)
