"""What forms remember when the program changes: carried on, or begun anew with nothing of before."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.engine import Engine
from instrument.engine.forms.form_table import FORM_KINDS
from tests.engine.forms.test_run_forms import formed_program
from tests.engine.playing import RATE, bare_program, dot, exact, one_circle, started

if TYPE_CHECKING:
    from instrument.engine.program import Program

FADE = 256
"""Samples; whole chunks, so that listening in full precision sees all of them."""


def fading(kinds: tuple[str, ...] | list[str], **values: float) -> Program:
    program = formed_program(kinds, **values)
    program.record["fade_seconds"] = FADE / RATE
    return program


def test_carrying_on_with_the_same_program_is_not_heard() -> None:
    undisturbed, engine = started(fading(FORM_KINDS)), started(fading(FORM_KINDS))
    for each in (undisturbed, engine):
        each.render(3456)
    engine.play(fading(FORM_KINDS), carry=True)
    np.testing.assert_allclose(exact(engine, 960), exact(undisturbed, 960), atol=1e-13)


@pytest.mark.parametrize("samples", [1, 100, 5000, 65_000])
def test_echoes_go_on_through_a_change(samples: int) -> None:
    echo = {"delay_x": samples / RATE, "delay_feedback_x": 0.9}
    undisturbed, engine = started(fading(["delay"], **echo)), started(fading(["delay"], **echo))
    for each in (undisturbed, engine):
        each.render(100_000)
    for _ in range(3):
        engine.play(fading(["delay"], **echo), carry=True)
        undisturbed_part, part = exact(undisturbed, 30_000), exact(engine, 30_000)
        np.testing.assert_allclose(part, undisturbed_part, atol=1e-12)


def test_a_fresh_start_hears_no_echo_of_before() -> None:
    played = started(formed_program(FORM_KINDS, delay_x=0.01, delay_feedback_x=0.9))
    played.render(5000)
    for program in (one_circle(), formed_program(FORM_KINDS), dot(0.5)):
        played.play(program)
        played.render(2500)
    for each in (new := Engine(RATE), played):
        each.play(formed_program(FORM_KINDS))
        each.render(1)
    np.testing.assert_array_equal(exact(played, 5000), exact(new, 5000))


def test_a_form_that_was_not_there_before_begins_with_nothing_when_the_rest_carries_on() -> None:
    engine = started(formed_program(["delay", "lowpass"], delay_x=0.01))
    engine.render(5000)
    engine.play(formed_program([]), carry=True)
    engine.render(5000)
    engine.play(formed_program(["delay"], delay_x=100 / RATE), carry=True)
    engine.render(1)
    x = exact(engine, 300)[:, 0]
    np.testing.assert_array_equal(x[:98], 0.0)
    assert (x[100:] != 0.0).any()


def test_noise_goes_on_through_a_change_and_begins_anew_with_a_fresh_start() -> None:
    def still(seed: float = 5.0) -> Program:
        program = bare_program()
        program.draw_path(0, np.zeros((1, 3)))
        program.form(0, ["noise"])
        program.set("layer.1.form.noise.seed", seed)
        program.schedule()
        return program

    engine = started(still())
    first = exact(engine, 600)
    engine.play(still())
    engine.render(1)
    np.testing.assert_array_equal(exact(engine, 600), first)
    engine.play(still(), carry=True)
    engine.render(1)
    longer = exact(engine, 100)
    fresh = started(still())
    np.testing.assert_array_equal(exact(fresh, 701)[601:], longer)
    assert (exact(started(still(6.0)), 600) != first).all()
