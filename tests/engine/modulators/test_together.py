"""All kinds of modulator together, in random combination: one sound for every block size, and healthy after any number."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from instrument.engine.engine import Engine, Event, midi_event, set_event, swap_event
from instrument.engine.memory.layout import LINK_ADD, LINK_MULTIPLY
from instrument.engine.modulators.modulator_table import (
    MODULATOR_CURVE,
    MODULATOR_ENVELOPE,
    MODULATOR_FOLLOWER,
    MODULATOR_GESTURE,
    MODULATOR_KINDS,
    MODULATOR_STEPS,
)
from instrument.engine.parameters import ADDRESSES, LINK, MODULATOR, PATCH
from tests.engine.playing import RATE, bare_program, circle
from tests.strategies import AWKWARD, any_number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from instrument.engine.program import Program

FRAMES = 900
BLOCKS = (1, 7, 64, 480)
KINDS = range(1, len(MODULATOR_KINDS))
USED_LINKS = 6

TEMPO = tuple(row.name for row in PATCH if row.name.startswith("tempo."))

NAMES = (
    [f"mod.{k}.{row.name}" for k in KINDS for row in MODULATOR]
    + [f"link.{k}.{row.name}" for k in range(1, USED_LINKS + 1) for row in LINK]
    + list(TEMPO)
)
LAYER = ("layer.1.place.turn.z", "layer.1.pen.frequency", "layer.1.level", "output.gain.y")


def be(program: Program, number: int, kind: int) -> None:
    """Let a modulator be of a kind, with a table where it takes one."""
    rng = np.random.default_rng(kind)
    if kind == MODULATOR_CURVE:
        table = np.stack([np.sort(rng.uniform(0, 1, 7)), rng.uniform(-1, 1, 7), rng.uniform(-5, 5, 7)], axis=1)
        program.modulate_by_curve(number, table)
    elif kind == MODULATOR_STEPS:
        program.modulate_by_steps(number, rng.uniform(0, 1, (5, 4)))
    elif kind == MODULATOR_GESTURE:
        program.modulate_by_gesture(number, rng.uniform(-1, 1, 64))
    else:
        program.modulate(number, kind)


def of_kinds(
    kinds: Sequence[int], links: Sequence[tuple[int, str, int]], values: dict[str, float], ramp: float = 0.0
) -> Program:
    program = bare_program()
    program.record["ramp_seconds"] = ramp
    circle(program, 0, 0.4)
    for number, kind in enumerate(kinds):
        be(program, number, kind)
        program.set(f"mod.{number + 1}.rate", 50.0 + 37.0 * number)
        program.set(f"mod.{number + 1}.attack", 0.002)
    for number, (modulator, address, operation) in enumerate(links):
        program.link(number, modulator, address, operation)
        program.set(f"link.{number + 1}.depth", 0.3)
    for address, value in values.items():
        program.set(address, value)
    program.schedule()
    return program


VALUE = st.floats(-2.0, 3.0) | st.sampled_from([0.0, 1.0, 2.0, 100.0, 1000.0, 0.001])
LINKS = st.lists(
    st.tuples(st.integers(0, 5), st.sampled_from([*NAMES, *LAYER]), st.sampled_from([LINK_ADD, LINK_MULTIPLY])),
    max_size=USED_LINKS,
)
PROGRAMS = st.builds(
    of_kinds,
    st.lists(st.sampled_from(list(KINDS)), min_size=6, max_size=6),
    LINKS,
    st.dictionaries(st.sampled_from(NAMES), VALUE, max_size=15),
    st.sampled_from([0.0, 0.0005, 0.005]),
)
TIME = st.integers(1, FRAMES - 1)
MESSAGE = st.tuples(
    st.sampled_from([0x90, 0x80, 0xB0, 0xD0, 0xE0, 0xF8, 0xF8, 0xFA, 0xFB, 0xFC, 0xF2]),
    st.sampled_from([60, 64, 74, 1]),
    st.integers(0, 127),
)
EVENTS = st.one_of(
    st.builds(set_event, TIME, st.sampled_from(NAMES), VALUE | any_number(), at_once=st.booleans()),
    TIME.flatmap(lambda time: MESSAGE.map(lambda message: midi_event(time, *message))),
    st.builds(swap_event, TIME, st.integers(0, 1), carry=st.booleans(), fade=st.sampled_from([0.0, 0.002])),
)


def played(programs: list[Program], events: list[Event], block: int) -> dict[str, bytes]:
    """Render FRAMES in blocks of a size; return all that came of it."""
    engine = Engine(RATE)
    for slot, program in enumerate(programs):
        engine.load(program, slot)
    engine.push(swap_event(0, 0))
    for event in sorted(events, key=lambda event: event.time):
        engine.push(event)
    out = np.concatenate([engine.render(min(block, FRAMES - at), block=block) for at in range(0, FRAMES, block)])
    assert np.isfinite(out).all()
    instance = engine.record["instances"][int(engine.record["active"])]
    state = {name: instance[name].tobytes() for name in ("modulator", "tempo", "link_history", "gestures", "value")}
    return {"out": out.tobytes(), **state}


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(st.lists(PROGRAMS, min_size=2, max_size=2), st.lists(EVENTS, max_size=15))
def test_every_block_size_gives_the_same_bytes(programs: list[Program], events: list[Event]) -> None:
    wanted = played(programs, events, FRAMES)
    for block in BLOCKS:
        found = played(programs, events, block)
        different = [name for name in wanted if found[name] != wanted[name]]
        assert not different, f"blocks of {block}: {different} differ"


SETS = 1200
"""Times nine modulators: more than ten thousand sets of parameters."""


def usual_program() -> Program:
    links = [(0, "layer.1.level", LINK_ADD), (1, "mod.3.rate", LINK_ADD), (2, "mod.2.attack", LINK_MULTIPLY)]
    links += [(3, "tempo.bpm", LINK_ADD), (4, "link.1.depth", LINK_ADD), (5, "link.6.bend", LINK_ADD)]
    return of_kinds(list(KINDS), links, {"mod.7.of": 3.0})


def test_ten_thousand_sets_of_absurd_numbers_stop_nothing_and_leave_nothing() -> None:
    rng = np.random.default_rng(20)
    engine = Engine(RATE)
    engine.play(usual_program())
    engine.render(1)
    usual = {address: engine.value(address) for address in NAMES}
    numbers = np.array([*AWKWARD, 0.5, 1.0, 2.0, 3.0, -0.7, 440.0])
    rows = [(address, ADDRESSES.index(address)) for address in NAMES]
    active = int(engine.record["active"])
    for _ in range(SETS):
        for k in rng.choice(len(rows), 40, replace=False):
            engine.set(rows[k][0], float(rng.choice(numbers)), at_once=True)
        out = engine.render(40)
        assert np.isfinite(out).all()
        assert np.isfinite(engine.record["instances"]["modulator_rows"][active, : len(KINDS)]).all()
    for address, value in usual.items():
        engine.set(address, value, at_once=True)
    engine.render(12_000)  # longer than the release of the envelope
    healthy = engine.record["instances"][active]
    for name in MODULATOR_STATE_NUMBERS:
        assert np.abs(healthy["modulator"][name]).max() < 1e6, name
    assert np.abs(healthy["link_history"]).max() < 1e9
    again = engine.render(4000)
    assert np.ptp(again, axis=0).min() > 0.1
    assert int(healthy["modulator"]["stage"][MODULATOR_ENVELOPE - 1]) == 0
    assert 0.0 <= float(healthy["modulator"]["level"][MODULATOR_FOLLOWER - 1]) <= 1.0


MODULATOR_STATE_NUMBERS = ("level", "start", "target")
