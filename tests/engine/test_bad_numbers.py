"""Absurd numbers while playing: the sound goes on, and nothing of them is left when they are taken back."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.memory.layout import CHUNK, LINK_MULTIPLY
from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from instrument.engine.parameters import ADDRESSES, LAYER, PATCH
from instrument.engine.signal.jump_table import lay_jumps
from tests.engine.playing import RATE, bare_program, started, terms

if TYPE_CHECKING:
    from collections.abc import Iterator

    from instrument.engine.engine import Engine
    from instrument.engine.program import Program

NUMBERS = (math.inf, -math.inf, math.nan, 1e308, -1e308, 5e-324)

PHASES = ("pen", "pen_wrapped", "spin", "carry", "last_ratio", "last_position", "modulator", "tempo", "turn")
"""What a number may leave behind: where in their rounds things are."""

DELAY = 20.5

SUM, TURNS = 0.0, 1.0

LONGEST_TURN = 16 * CHUNK
"""Samples within which every layer has had the beam, and with it the chance to show its health."""


def playing(mode: float) -> Program:
    """Return a program that uses every kind of parameter."""
    program = bare_program()
    program.record["ramp_seconds"] = 0.001
    program.draw_harmonic(
        0, (terms((0.3, 1, 0.25), (0.1, 2.5, 0)), terms((0.3, 1, 0), (0.1, 3, 0.1)), terms((0.2, 1.5, 0)))
    )
    program.draw_path(1, np.random.default_rng(5).uniform(-0.3, 0.3, (3, 40, 3)))
    lay_jumps(program, 1, np.arange(120).reshape(3, 40) % 7 == 6)
    for address, value in {
        "layer.1.place.spin.z": 0.7,
        "layer.1.place.camera": 3.0,
        "layer.2.place.spin.y": 110.5,
        "layer.2.pen.frequency": 220.3,
        "layer.2.pen.direction": 2.0,
        "layer.2.source.frame": 0.4,
        "mod.1.rate": 3.0,
        "mod.2.rate": 441.0,
        "mod.2.shape": 1.0,
        "link.1.depth": 0.1,
        "link.2.depth": 0.05,
        "link.2.offset": 1.0,
        "output.delay.y": DELAY,
        "output.knee": 0.8,
        "mix.mode": mode,
    }.items():
        program.set(address, value)
    program.record["modulators"]["kind"][:2] = MODULATOR_LFO
    program.link(0, 0, "layer.1.place.turn.x")
    program.link(1, 1, "layer.2.pen.frequency", LINK_MULTIPLY)
    program.schedule()
    return program


def in_use() -> Iterator[str]:
    """Yield the addresses of the two layers, modulators and links that play, and of everything common."""
    for address in ADDRESSES:
        owner, number = address.split(".")[:2]
        if owner not in {"layer", "mod", "link"} or int(number) <= 2:
            yield address


def parts(values: np.ndarray) -> list[np.ndarray]:
    """Return the fields of a record and of those within it one by one, or what has none as it is."""
    names = values.dtype.names
    return [part for name in names for part in parts(values[name])] if names else [values]


def instance(engine: Engine) -> np.void:
    return engine.record["instances"][int(engine.record["active"])]  # type: ignore[no-any-return]


@pytest.mark.parametrize("mode", [SUM, TURNS], ids=["sum", "turns"])
@pytest.mark.parametrize("number", NUMBERS)
def test_every_parameter_takes_it_and_forgets_it(number: float, mode: float) -> None:
    engine, twin = started(playing(mode)), started(playing(mode))
    tried = 0
    for address in in_use():
        usual = engine.value(address)
        engine.set(address, number)
        during = engine.render(5 * CHUNK)
        engine.set(address, usual)
        engine.render(CHUNK if mode == SUM else LONGEST_TURN)

        assert np.isfinite(during).all(), address
        assert np.abs(during).max() <= 1.0, address
        assert engine.value(address) == usual, address
        for field in PHASES:
            assert all(np.isfinite(values).all() for values in parts(instance(engine)[field])), (
                address,
                field,
            )
            instance(twin)[field] = instance(engine)[field]
        healthy, wanted = engine.render(4 * CHUNK), twin.render(4 * CHUNK)
        settled = int(DELAY) + 4  # the twin's delay line has another past
        assert healthy[settled:].tobytes() == wanted[settled:].tobytes(), address
        tried += 1
    assert tried >= 2 * len(LAYER) + len(PATCH)


@pytest.mark.parametrize("number", NUMBERS)
def test_all_parameters_at_once_do_not_stop_the_sound(number: float) -> None:
    engine = started(playing(0.0))
    usual = engine.values()
    for address in in_use():
        engine.set(address, number)
    out = engine.render(int(RATE / 10))
    assert np.isfinite(out).all()
    assert np.abs(out).max() <= 1.0
    for address in in_use():
        engine.set(address, usual[address])
    engine.render(CHUNK)
    healthy = engine.render(int(RATE / 10))
    assert np.ptp(healthy, axis=0).min() > 0.2
    assert engine.values() == usual


@pytest.mark.parametrize("number", NUMBERS)
def test_a_program_may_begin_with_it_and_the_next_one_is_not_touched(number: float) -> None:
    engine = started(playing(SUM))
    clean = started(playing(SUM)).render(200)
    for address in in_use():
        program = playing(SUM)
        program.set(address, number)
        engine.play(program)
        out = engine.render(200)
        assert np.isfinite(out).all(), address
        assert np.abs(out).max() <= 1.0, address
    engine.play(playing(SUM))
    engine.render(1)
    again = engine.render(200)
    np.testing.assert_array_equal(again[int(DELAY) + 4 :], clean[int(DELAY) + 4 :])
