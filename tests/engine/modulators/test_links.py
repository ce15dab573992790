"""Links: bent, and in circles, which one fixed delay of sixteen samples opens."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.memory.layout import FEEDBACK_DELAY_SAMPLES, LINK_ADD, LINK_MULTIPLY
from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from tests.engine.modulating import heard, instance
from tests.engine.playing import RATE, bare_program, exact, started

if TYPE_CHECKING:
    from instrument.engine.engine import Engine
    from instrument.engine.program import Program

TARGET = "output.offset.x"

SAW = 2.0


def linked(*links: tuple[int, str, int], **values: float) -> Program:
    """Return a program of LFOs; links are (modulator, address, operation)."""
    program = bare_program()
    for number, (modulator, address, operation) in enumerate(links):
        program.modulate(modulator, MODULATOR_LFO)
        program.link(number, modulator, address, operation)
    for name, value in values.items():
        program.set(name.replace("_", "."), value)
    program.schedule()
    return program


@pytest.mark.parametrize("bend", [3.0, -5.0, 0.01, 0.0])
def test_a_bent_link_passes_the_modulator_through_its_curve_alike_on_both_sides(bend: float) -> None:
    program = linked((0, TARGET, LINK_ADD), mod_1_shape=SAW, mod_1_rate=31.7, link_1_depth=0.5, link_1_bend=bend)
    v = 2.0 * ((31.7 * np.arange(1, 3001) / RATE) % 1.0) - 1.0
    bent = np.sign(v) * np.expm1(bend * np.abs(v)) / np.expm1(bend) if bend else v
    np.testing.assert_allclose(exact(started(program), 3000)[:, 0], 0.5 * bent, atol=1e-9)


def test_a_bend_of_zero_that_moves_has_the_bits_of_one_that_rests() -> None:
    links = ((0, TARGET, LINK_ADD), (1, "link.1.bend", LINK_ADD))
    program = linked(*links, mod_1_rate=31.7, link_1_depth=0.5, link_2_depth=0.0)
    still = linked(links[0], mod_1_rate=31.7, link_1_depth=0.5)
    np.testing.assert_array_equal(exact(started(program), 500), exact(started(still), 500))


def late(program: Program) -> list[bool]:
    count = int(program.record["n_links"])
    return [bool(flag) for flag in program.record["links"]["delayed"][:count]]


def test_no_link_is_late_without_a_circle() -> None:
    program = linked((0, "mod.2.rate", LINK_ADD), (1, "mod.3.rate", LINK_ADD), (2, TARGET, LINK_ADD))
    assert late(program) == [False] * 3
    assert program.record["feeds_back"] == 0


@pytest.mark.parametrize(
    ("links", "wanted"),
    [
        ([(0, "mod.1.rate")], [True]),
        ([(0, "mod.2.rate"), (1, "mod.1.phase")], [False, True]),
        ([(1, "mod.1.phase"), (0, "mod.2.rate")], [False, True]),
        ([(0, "link.1.depth")], [True]),
        ([(0, "link.2.depth"), (1, "link.1.depth")], [False, True]),
        ([(0, "link.2.depth"), (1, "link.3.offset"), (2, "mod.1.width")], [False, False, True]),
        ([(0, "tempo.bpm"), (0, "layer.1.level")], [True, False]),
    ],
)
def test_of_the_links_of_a_circle_the_last_one_is_late(links: list[tuple[int, str]], wanted: list[bool]) -> None:
    program = linked(*((modulator, address, LINK_ADD) for modulator, address in links))
    assert late(program) == wanted
    assert program.record["feeds_back"] == 1


def test_a_modulator_that_moves_itself_reads_itself_sixteen_samples_late() -> None:
    program = linked((0, "mod.1.phase", LINK_ADD), mod_1_rate=300.0, link_1_depth=0.2)
    found = heard(started(program), 2000)
    # From the program's first sample, which `heard` did not hear: the same recursion in NumPy.
    wanted = np.zeros(2001)
    for k in range(2001):
        before = wanted[k - FEEDBACK_DELAY_SAMPLES] if k >= FEEDBACK_DELAY_SAMPLES else 0.0
        wanted[k] = np.sin(2 * np.pi * (300.0 * k / RATE + 0.2 * before))
    np.testing.assert_allclose(found, wanted[1:], atol=1e-9)


def test_a_late_factor_changes_nothing_until_its_time_has_come() -> None:
    program = linked((0, "mod.1.width", LINK_MULTIPLY), mod_1_rate=0.0, mod_1_phase=0.6, mod_1_shape=3.0)
    found = heard(started(program), 40)
    # The square is low until its width of 0.5 has been multiplied by -1, 16 samples after the start.
    assert (found == -1.0).all()
    row = instance(started(program))["link_history"][0]
    assert set(row) <= {1.0, -1.0}


def rendered(program: Program, blocks: list[int]) -> bytes:
    engine = started(program)
    return b"".join(engine.render(count, block=count).tobytes() for count in blocks)


@pytest.mark.parametrize("block", [1, 7, 16, 64, 480])
def test_circles_have_the_same_bits_for_every_block_size(block: int) -> None:
    links = [(0, "mod.2.rate"), (1, "mod.1.rate"), (1, "link.1.depth"), (0, "tempo.bpm"), (1, TARGET)]
    program = linked(
        *((modulator, address, LINK_ADD) for modulator, address in links),
        mod_1_rate=300.0, mod_2_rate=500.0, link_1_depth=200.0, link_2_depth=100.0, link_5_depth=0.5,
    )  # fmt: skip
    program.set("mod.2.sync", 1.0)
    assert rendered(program, [6720]) == rendered(program, [block] * (6720 // block))


def poke(engine: Engine, address: str, value: float, frames: int = 200) -> None:
    usual = engine.value(address)
    engine.set(address, value)
    assert np.isfinite(heard(engine, frames)).all()
    engine.set(address, usual)


@pytest.mark.parametrize("number", [np.nan, np.inf, -np.inf, 1e308])
@pytest.mark.parametrize("address", ["link.1.depth", "link.1.offset", "link.1.bend", "link.2.depth", "mod.1.rate"])
def test_a_circle_forgets_any_number(address: str, number: float) -> None:
    links = ((0, "mod.1.phase", LINK_ADD), (0, "link.1.depth", LINK_ADD))
    program = linked(*links, mod_1_rate=300.0, link_1_depth=0.2, link_2_depth=0.1)
    engine = started(program)
    poke(engine, address, number)
    heard(engine, 4 * FEEDBACK_DELAY_SAMPLES)
    assert np.abs(instance(engine)["link_history"][:2]).max() < 1.0
    assert np.ptp(heard(engine, 1000)) > 1.5


def test_a_late_link_goes_on_when_the_program_is_carried_over() -> None:
    program = linked((0, "mod.1.phase", LINK_ADD), mod_1_rate=300.0, link_1_depth=0.2)
    engine, twin = started(program), started(program)
    heard(engine, 480)
    heard(twin, 480)
    engine.play(program, carry=True)
    engine.render(1)
    twin.render(1)
    np.testing.assert_array_equal(heard(engine, 200), heard(twin, 200))
