"""After how long a patch comes round."""

from collections.abc import Callable

import numpy as np
import pytest

from instrument.engine.engine import Engine
from instrument.engine.memory.layout import (
    MODULATOR_CURVE,
    MODULATOR_ENVELOPE,
    MODULATOR_LFO,
    MODULATOR_NOTE,
    MODULATOR_RANDOM,
)
from instrument.engine.program import Program, new_program
from instrument.export.period import DRIFT_SECONDS, LONGEST_SECONDS, period_of
from instrument.patch.formula.parser import compile_formula

RATE = 48_000


def playing(program: Program) -> Engine:
    program.schedule()
    engine = Engine(RATE)
    engine.play(program)
    engine.render(1)
    return engine


def ellipse() -> Program:
    program = new_program()
    program.draw_harmonic(0, (np.array([[0.8, 1.0, 0.25]]), np.array([[0.2, 1.0, 0.0]]), np.zeros((0, 3))))
    return program


@pytest.mark.parametrize(
    ("spins", "modulator", "wanted"),
    [
        ((0.5,), None, (2.0, True)),
        ((0.5, 0.75), None, (4.0, True)),  # one half and three quarters of a turn meet after four seconds
        ((-0.25,), 0.1, (20.0, True)),
        ((0.0,), None, (1.0, True)),
        ((7.0,), None, (1.0, True)),  # seven rounds, so that none is cut
        ((0.5,), 0.0501, (LONGEST_SECONDS, False)),
        ((float("inf"), 0.5), None, (2.0, True)),
    ],
)
def test_a_round_is_the_time_after_which_all_rates_meet(
    spins: tuple[float, ...], modulator: float | None, wanted: tuple[float, bool]
) -> None:
    program = ellipse()
    for axis, spin in zip("xy", spins, strict=False):
        program.set(f"layer.1.place.spin.{axis}", spin)
    if modulator is not None:
        program.modulate(2, MODULATOR_LFO)
        program.set("mod.3.rate", modulator)
    period, closes = period_of(playing(program))
    assert period == pytest.approx(wanted[0])
    assert closes is wanted[1]


def by_the_beat(program: Program) -> None:
    program.modulate(0, MODULATOR_LFO)
    program.set("mod.1.sync", 1)
    program.set("mod.1.rate", 0.25)  # a cycle in four beats


def beaten(program: Program) -> None:
    program.modulate(0, MODULATOR_ENVELOPE)
    program.set("mod.1.trigger", 2)
    program.set("mod.1.every", 3)


def played(program: Program) -> None:
    program.modulate(0, MODULATOR_NOTE)


def once(program: Program) -> None:
    program.modulate_by_curve(0, np.array([[0.0, 0.0, 0.0], [1.0, 1.0, 0.0]]))
    program.set("mod.1.rate", 0.3)
    program.set("mod.1.once", 1)


def by_chance(program: Program) -> None:
    program.modulate(0, MODULATOR_RANDOM)


def noisy(program: Program) -> None:
    program.form(0, ["noise"])


def by_formula(text: str) -> Callable[[Program], None]:
    return lambda program: program.modulate_by_formula(0, compile_formula(text))


@pytest.mark.parametrize(
    ("move", "wanted"),
    [
        (by_the_beat, (2.0, True)),  # four beats at 120 a minute
        (beaten, (1.5, True)),
        (played, (1.0, True)),
        (once, (1.0, True)),
        (by_chance, (DRIFT_SECONDS, False)),
        (noisy, (DRIFT_SECONDS, False)),
        (by_formula("sin(t)"), (1.0, False)),
        (by_formula("sin(tau * p)"), (1.0, True)),
        (by_formula("beat"), (1.0, False)),
    ],
)
def test_what_moves_in_other_ways_counts_too(move: Callable[[Program], None], wanted: tuple[float, bool]) -> None:
    program = ellipse()
    move(program)
    period, closes = period_of(playing(program))
    assert period == pytest.approx(wanted[0])
    assert closes == wanted[1]


def test_kinds_that_turn_are_those_with_a_cycle() -> None:
    program = ellipse()
    program.modulate_by_curve(0, np.array([[0.0, 0.0, 0.0], [1.0, 1.0, 0.0]]))
    assert int(program.record["modulators"]["kind"][0]) == MODULATOR_CURVE
    program.set("mod.1.rate", 0.2)
    period, closes = period_of(playing(program))
    assert period == pytest.approx(5.0)
    assert closes
