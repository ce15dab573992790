"""Changing to another program: without a click, fresh or carrying on, and leaving nothing behind."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.engine.engine import Engine, midi_event, swap_event
from instrument.engine.memory.layout import LINK_ADD, SLOTS
from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from tests.engine.playing import (
    RATE,
    bare_program,
    circle,
    dot,
    exact,
    largest_step,
    listen_to,
    one_circle,
    started,
    terms,
)
from tests.reference.midi import NOTE_ON

if TYPE_CHECKING:
    from instrument.engine.program import Program

FADE = 256
"""Samples; whole chunks, so that listening in full precision sees all of them."""


def fading(program: Program, samples: int = FADE) -> Program:
    """Let a program fade in over so many samples."""
    program.record["fade_seconds"] = samples / RATE
    return program


def busy_program(frequency: float = 110.0) -> Program:
    """Return a program in which everything that has a phase is at work."""
    program = bare_program()
    tables = (
        terms((0.2, 1, 0.25), (0.1, 1.37, 0)),
        terms((0.2, 1, 0), (0.1, 2.61, 0.1)),
        terms((0.1, 0.77, 0)),
    )
    program.draw_harmonic(0, tables)
    circle(program, 1, 0.1)
    program.set("layer.2.pen.frequency", 77.7)
    program.set("layer.1.pen.frequency", frequency)
    program.set("layer.1.place.spin.y", 3.3)
    program.set("layer.1.place.camera", 3.0)
    program.record["modulators"]["kind"][0] = MODULATOR_LFO
    program.set("mod.1.rate", 5.5)
    program.set("link.1.depth", 0.1)
    program.link(0, 0, "layer.1.place.turn.z", LINK_ADD)
    program.schedule()
    return program


def test_the_first_sample_of_a_change_has_already_moved_and_the_last_of_the_fade_is_the_new_program() -> None:
    engine = started(dot(0.5))
    engine.play(fading(dot(-0.5)))
    x = engine.render(300)[:, 0]
    wanted = 0.5 - np.minimum(np.arange(1, 301) / FADE, 1.0)
    np.testing.assert_allclose(x, wanted, atol=1e-7)
    assert (x[FADE - 1 :] == -0.5).all()


def test_a_change_between_far_points_makes_no_step_larger_than_the_fade() -> None:
    engine = started(dot(0.8, -0.8))
    engine.play(fading(dot(-0.8, 0.8)))
    assert largest_step(engine.render(500)) <= 1.6 / FADE * (1 + 1e-4)


@settings(max_examples=30)
@given(st.floats(20.0, 2000.0), st.floats(20.0, 2000.0), st.booleans(), st.integers(0, 1000))
def test_a_change_between_moving_pictures_steps_no_more_than_they_do_and_the_fade_adds(
    old: float, new: float, carry: bool, when: int
) -> None:
    engine = started(busy_program(old))
    engine.render(when)
    before = engine.render(3000)
    engine.play(fading(busy_program(new)), carry=carry)
    during = engine.render(FADE)
    after = engine.render(3000)
    inside = max(largest_step(before), largest_step(after))
    bound = 1.05 * inside + 2.0 * float(np.abs(np.concatenate([before, after])).max()) / FADE
    assert largest_step(np.concatenate([before, during, after])) <= bound


@settings(max_examples=30)
@given(st.lists(st.tuples(st.integers(1, 400), st.floats(-0.8, 0.8)), min_size=2, max_size=12))
def test_changes_amid_a_change_make_no_click_either(changes: list[tuple[int, float]]) -> None:
    engine = started(dot(0.8))
    out = [engine.render(10)]
    for pause, x in changes:
        engine.play(fading(dot(x)))
        out.append(engine.render(pause))
    out.append(engine.render(2 * FADE))
    found = np.concatenate(out)
    # Two fades at most run at once: that of the programs, and that of what was still fading.
    assert largest_step(found) <= 2 * 1.6 / FADE * (1 + 1e-4)
    np.testing.assert_allclose(found[-1, 0], changes[-1][1], atol=1e-7)


def test_a_change_amid_a_change_back_to_the_first_makes_no_click() -> None:
    engine = started(dot(0.8))
    engine.play(fading(dot(-0.8)))
    first = engine.render(FADE // 2)
    engine.play(fading(dot(0.8)))
    found = np.concatenate([first, engine.render(600)])
    assert largest_step(found) <= 2 * 1.6 / FADE * (1 + 1e-4)
    assert found[-1, 0] == np.float32(0.8)


def test_carrying_on_with_the_same_program_is_not_heard() -> None:
    undisturbed = started(busy_program())
    engine = started(busy_program())
    for each in (undisturbed, engine):
        each.render(1234)
    engine.play(fading(busy_program()), carry=True)
    np.testing.assert_allclose(exact(engine, 960), exact(undisturbed, 960), atol=1e-14)


def test_carrying_on_keeps_the_turn_of_the_layers() -> None:
    def turning() -> Program:
        program = busy_program()
        program.set("mix.mode", 1.0)
        return program

    undisturbed, engine = started(turning()), started(turning())
    for each in (undisturbed, engine):
        each.render(999)
    engine.play(fading(turning()), carry=True)
    np.testing.assert_allclose(exact(engine, 960), exact(undisturbed, 960), atol=1e-14)


def test_a_fresh_start_begins_all_phases_at_zero_whatever_played_before() -> None:
    played = started(one_circle())
    for program in (busy_program(333.0), busy_program(55.0), one_circle()):
        played.play(program)
        played.render(2500)
    for each in (new := Engine(RATE), played):
        each.play(busy_program())
        each.render(1)
    np.testing.assert_array_equal(exact(played, 2000), exact(new, 2000))


def test_carrying_on_takes_over_only_what_the_old_program_used() -> None:
    played = started(busy_program(333.0))
    for program in (busy_program(55.0), one_circle()):
        played.render(2500)
        played.play(program)
    played.render(1)  # the circle's first sample goes by, in both alike
    new = started(one_circle())
    for each in (played, new):
        each.render(777)
        each.play(busy_program(), carry=True)
        each.render(1)
    np.testing.assert_array_equal(exact(played, 2000), exact(new, 2000))


@pytest.mark.parametrize("carry", [False, True])
def test_a_change_does_not_start_the_dc_removal_anew(carry: bool) -> None:
    program = fading(one_circle())
    program.set("output.ac", 1.0)
    program.set("output.offset.x", 0.4)
    engine = started(program)
    engine.render(2 * int(RATE))
    usual = float(np.abs(engine.render(4800)).max())
    engine.play(program, carry=carry)
    assert float(np.abs(engine.render(9600)).max()) < usual + 0.02


@pytest.mark.parametrize("carry", [False, True])
def test_a_change_does_not_silence_a_delayed_channel(carry: bool) -> None:
    program = fading(dot(0.5, 0.5))
    program.set("output.delay.x", 2000.0)
    engine = started(program)
    engine.render(9600)
    engine.play(program, carry=carry)
    np.testing.assert_allclose(engine.render(4800), 0.5, atol=1e-7)


def test_a_program_starts_with_its_own_values_not_with_those_of_the_one_before() -> None:
    engine = started(one_circle())
    engine.set("layer.1.place.size", 0.1)
    engine.render(100)
    engine.play(one_circle())
    engine.render(2)
    assert engine.value("layer.1.place.size") == 1.0


def test_a_ramp_under_way_ends_with_its_program() -> None:
    program = one_circle()
    program.record["ramp_seconds"] = 1.0
    engine = started(program)
    engine.set("output.offset.x", 0.5)
    engine.render(100)
    engine.play(dot(0.25))
    engine.render(1)
    np.testing.assert_array_equal(engine.render(100)[:, 0], np.float32(0.25))


def test_held_notes_are_held_through_a_change() -> None:
    def gated() -> Program:
        program = one_circle()
        listen_to(program, "gate", "layer.1.level", 0.0, 1.0)
        return program

    engine = started(gated())
    engine.push(midi_event(0, NOTE_ON, 60, 100))
    engine.render(10)
    engine.play(gated())
    engine.push(midi_event(0, 0x80, 60, 0))
    engine.render(10)
    assert int(engine.record["n_held_notes"]) == 0
    assert engine.value("layer.1.level") == 0.0


def test_a_change_is_exact_to_the_sample() -> None:
    engine = started(dot(0.5))
    slot = engine.load(dot(-0.5))
    out = engine.render(100, events=[swap_event(engine.time + 41, slot)])[:, 0]
    assert (out[:41] == 0.5).all()
    assert (out[41:] == -0.5).all()


def test_a_program_may_be_started_again_while_it_plays() -> None:
    engine = started(one_circle())
    slot = int(engine.record["instances"][int(engine.record["active"])]["slot"])
    engine.render(1000)
    engine.push(swap_event(0, slot))
    engine.render(1)
    np.testing.assert_array_equal(exact(engine, 500), exact(started(one_circle()), 500))


@pytest.mark.parametrize("fade_seconds", [0.0, -1.0, np.nan, 1e-9])
def test_a_fade_of_no_length_changes_at_once(fade_seconds: float) -> None:
    engine = started(dot(0.5))
    program = dot(-0.5)
    program.record["fade_seconds"] = fade_seconds
    engine.play(program)
    np.testing.assert_array_equal(engine.render(4)[:, 0], [-0.5, -0.5, -0.5, -0.5])


def test_a_change_may_bring_its_own_fade() -> None:
    engine = started(dot(0.5))
    engine.play(dot(-0.5), fade=100 / RATE)
    wanted = 0.5 - np.minimum(np.arange(1, 201) / 100, 1.0)
    np.testing.assert_allclose(engine.render(200)[:, 0], wanted, atol=1e-7)


def test_a_thousand_changes_leave_all_other_slots_free() -> None:
    engine = started(one_circle())
    for k in range(1000):
        engine.play(fading(dot(0.1 + k % 7 / 10), 16), carry=k % 2 == 0)
        engine.render(1 + k % 40)
    engine.render(100)
    taken = engine.record["instances"]["slot"]
    assert min(taken.tolist()) == -1
    playing = int(taken.max())
    for slot in set(range(SLOTS)) - {playing}:
        assert engine.load(dot(0.5), slot) == slot
