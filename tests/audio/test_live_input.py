"""Which programs hear the live input."""

from __future__ import annotations

from instrument.audio.live_input import hears_input
from instrument.engine.memory.layout import SOURCE_INPUT
from instrument.engine.program import new_program


def test_a_program_without_a_source_of_that_kind_does_not() -> None:
    assert not hears_input(new_program())


def test_one_with_a_layer_that_draws_the_live_input_does() -> None:
    program = new_program()
    program.record["layers"][5]["source"] = SOURCE_INPUT
    assert hears_input(program)
