"""Modulators and links: LFO shapes against SciPy, and what links do with them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.signal import sawtooth, square

from instrument.engine.memory.layout import LINK_ADD, LINK_MULTIPLY
from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from tests.engine.playing import RATE, bare_program, exact, started

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from instrument.engine.program import Program

SINE, TRIANGLE, SAW, SQUARE = range(4)
TARGET = "output.offset.x"


def modulated(*links: tuple[int, str, int], **parameters: float) -> Program:
    """Return a program whose x channel is one parameter; links are (modulator, address, operation).

    Parameters are named like `mod_1_rate`.
    """
    program = bare_program()
    for number, (modulator, address, operation) in enumerate(links):
        program.record["modulators"]["kind"][modulator] = MODULATOR_LFO
        program.link(number, modulator, address, operation)
    for name, value in parameters.items():
        program.set(name.replace("_", "."), value)
    program.schedule()
    return program


def x_of(program: Program, frames: int = 3000) -> NDArray[np.float64]:
    return exact(started(program), frames)[:, 0]


def seconds(frames: int = 3000) -> NDArray[np.float64]:
    return np.arange(1, frames + 1) / RATE


ONE_LINK = (0, TARGET, LINK_ADD)

SHAPES: dict[int, Callable[[NDArray[np.floating], float], NDArray[np.float64]]] = {
    SINE: lambda turns, _: np.sin(2 * np.pi * turns),
    TRIANGLE: lambda turns, width: sawtooth(2 * np.pi * turns, width),
    SAW: lambda turns, _: sawtooth(2 * np.pi * turns),
    SQUARE: lambda turns, width: square(2 * np.pi * turns, width),
}


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("width", [0.5, 0.123, 0.9])
@pytest.mark.parametrize(("rate", "phase"), [(7.3, 0.0), (101.7, 0.37), (4321.9, -1.2)])
def test_an_lfo_has_the_shape_that_scipy_gives_it(shape: int, width: float, rate: float, phase: float) -> None:
    program = modulated(
        ONE_LINK, mod_1_shape=shape, mod_1_width=width, mod_1_rate=rate, mod_1_phase=phase, link_1_depth=0.5
    )
    turns = rate * seconds() + phase
    np.testing.assert_allclose(x_of(program), 0.5 * SHAPES[shape](turns, width), atol=1e-8)


def test_a_negative_rate_runs_backward() -> None:
    program = modulated(ONE_LINK, mod_1_shape=SAW, mod_1_rate=-7.3, link_1_depth=0.5)
    np.testing.assert_allclose(x_of(program), 0.5 * sawtooth(-2 * np.pi * 7.3 * seconds()), atol=1e-9)


def test_a_rate_of_zero_stands_still_at_its_phase() -> None:
    program = modulated(ONE_LINK, mod_1_rate=0.0, mod_1_phase=0.25, link_1_depth=0.5)
    assert (x_of(program, 100) == 0.5).all()


@pytest.mark.parametrize("width", [0.0, 1.0, -1.0, 2.0, np.inf, np.nan])
@pytest.mark.parametrize("shape", SHAPES)
def test_a_width_at_or_beyond_its_ends_disturbs_nothing_for_long(shape: int, width: float) -> None:
    program = modulated(ONE_LINK, mod_1_shape=shape, mod_1_width=width, mod_1_rate=50.0, link_1_depth=0.5)
    engine = started(program)
    assert np.isfinite(exact(engine, 1000)).all()
    engine.set("mod.1.width", 0.5)
    turns = 50.0 * np.arange(1001, 2001) / RATE
    found = exact(engine, 1000)[:, 0]
    away_from_edges = np.abs((2 * turns + 0.5) % 1.0 - 0.5) > 1e-6
    np.testing.assert_allclose(found[away_from_edges], 0.5 * SHAPES[shape](turns, 0.5)[away_from_edges], atol=1e-9)


def test_an_adding_link_adds_offset_and_depth_times_the_modulator() -> None:
    program = modulated(ONE_LINK, mod_1_rate=10.0, link_1_depth=0.25, link_1_offset=0.1)
    program.set(TARGET, 0.3)
    wanted = 0.3 + 0.1 + 0.25 * np.sin(2 * np.pi * 10.0 * seconds())
    np.testing.assert_allclose(x_of(program), wanted, atol=1e-12)


def test_a_multiplying_link_multiplies_by_offset_and_depth_times_the_modulator() -> None:
    program = modulated((0, TARGET, LINK_MULTIPLY), mod_1_rate=10.0, link_1_depth=0.5, link_1_offset=1.0)
    program.set(TARGET, 0.4)
    wanted = 0.4 * (1.0 + 0.5 * np.sin(2 * np.pi * 10.0 * seconds()))
    np.testing.assert_allclose(x_of(program), wanted, atol=1e-12)


def test_several_links_to_one_parameter_act_in_their_order() -> None:
    links = (ONE_LINK, (1, TARGET, LINK_MULTIPLY), (0, TARGET, LINK_ADD))
    program = modulated(*links, mod_1_rate=10.0, mod_2_rate=33.0, link_1_depth=0.3, link_3_depth=0.2)
    first, second = (np.sin(2 * np.pi * rate * seconds()) for rate in (10.0, 33.0))
    np.testing.assert_allclose(x_of(program), 0.3 * first * second + 0.2 * first, atol=1e-12)


def test_a_links_depth_can_be_moved_by_another_link() -> None:
    links = (ONE_LINK, (1, "link.1.depth", LINK_ADD))
    program = modulated(*links, mod_1_rate=100.0, mod_2_rate=7.0, link_1_depth=0.3, link_2_depth=0.2)
    depth = 0.3 + 0.2 * np.sin(2 * np.pi * 7.0 * seconds())
    np.testing.assert_allclose(x_of(program), depth * np.sin(2 * np.pi * 100.0 * seconds()), atol=1e-12)


def test_a_modulators_rate_can_be_moved_by_another_modulator() -> None:
    links = (ONE_LINK, (1, "mod.1.rate", LINK_ADD))
    program = modulated(*links, mod_1_rate=100.0, mod_2_rate=7.0, link_1_depth=0.5, link_2_depth=40.0)
    frames = 3000
    rate = 100.0 + 40.0 * np.sin(2 * np.pi * 7.0 * np.arange(frames + 1) / RATE)
    turns = np.cumsum(rate / RATE)[:-1]  # what has passed before each sample, from sample 1 on
    np.testing.assert_allclose(x_of(program, frames), 0.5 * np.sin(2 * np.pi * turns), atol=1e-9)


def test_a_linked_parameter_still_ramps() -> None:
    program = modulated(ONE_LINK, mod_1_rate=10.0, link_1_depth=0.25)
    program.record["ramp_seconds"] = 500 / RATE
    engine = started(program)
    engine.set(TARGET, 0.5)
    ramp = 0.5 * np.minimum(np.arange(1, 1001) / 500, 1.0)
    wanted = ramp + 0.25 * np.sin(2 * np.pi * 10.0 * seconds(1000))
    np.testing.assert_allclose(exact(engine, 1000)[:, 0], wanted, atol=1e-12)


def test_a_parameters_own_value_is_read_without_what_links_add() -> None:
    program = modulated(ONE_LINK, mod_1_rate=10.0)
    program.set(TARGET, 0.3)
    engine = started(program)
    engine.render(777)
    assert engine.value(TARGET) == 0.3


def test_the_pen_can_be_modulated_at_audio_rate() -> None:
    program = modulated((0, "layer.1.pen.frequency", LINK_ADD), mod_1_rate=300.0, link_1_depth=500.0)
    program.draw_harmonic(0, (np.array([[0.5, 1.0, 0.0]]), np.zeros((0, 3)), np.zeros((0, 3))))
    frequency = 110.0 + 500.0 * np.sin(2 * np.pi * 300.0 * np.arange(2001) / RATE)
    turns = np.cumsum(frequency / RATE)[:-1]
    np.testing.assert_allclose(x_of(program, 2000), 0.5 * np.sin(2 * np.pi * turns), atol=1e-9)


@pytest.mark.parametrize("number", [np.inf, -np.inf, np.nan, 1e308])
def test_a_modulator_that_goes_to_infinity_recovers(number: float) -> None:
    program = modulated(ONE_LINK, mod_1_rate=50.0, link_1_depth=0.5)
    engine = started(program)
    engine.set("link.1.depth", number)
    engine.set("mod.1.phase", number)
    assert np.isfinite(exact(engine, 999)).all()
    engine.set("mod.1.phase", 0.0)
    engine.set("link.1.depth", 0.5)
    wanted = 0.5 * np.sin(2 * np.pi * 50.0 * np.arange(1000, 1500) / RATE)
    np.testing.assert_allclose(exact(engine, 500)[:, 0], wanted, atol=1e-9)
