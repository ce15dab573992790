"""A thousand changes of patch in a row: each on its sample, without a click, with nothing lost and nothing kept."""

from __future__ import annotations

import resource
from typing import TYPE_CHECKING

import numpy as np

from instrument.engine.engine import Engine, action_event, midi_event
from instrument.engine.memory.layout import ACTIONS, EVENT_ACTION
from instrument.engine.parameters import LAYERS
from tests.engine.playing import RATE, bare_program, circle, largest_step, started
from tests.reference.midi import NOTE_ON

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.engine.program import Program

RECALLS = 1000
BLOCK = 256
APART = 480
"""Samples between two recalls; a recall's fade of 5 ms is half as long."""


def eight_layers(first_hertz: float) -> Program:
    program = bare_program()
    program.record["fade_seconds"] = 0.005
    rng = np.random.default_rng(int(first_hertz))
    for layer in range(LAYERS):
        if layer % 2:
            circle(program, layer, 0.11)
        else:
            program.draw_path(layer, rng.uniform(-0.11, 0.11, (200, 3)))
        program.set(f"layer.{layer + 1}.pen.frequency", first_hertz * (1 + 0.37 * layer))
        program.set(f"layer.{layer + 1}.place.spin.z", 0.3 * layer)
    program.set("layer.8.notes.mode", 2.0)
    program.schedule()
    return program


def memory_in_use() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def played(engine: Engine, frames: int) -> NDArray[np.float32]:
    return engine.render(frames, block=BLOCK)


def test_a_thousand_recalls_are_on_time_make_no_click_lose_nothing_and_keep_nothing() -> None:
    programs = [eight_layers(110.0), eight_layers(163.0)]
    within = max(largest_step(played(started(program), 48_000)) for program in programs)
    engine = Engine(RATE)
    for place, program in enumerate(programs):
        engine.record["set_slots"][place] = engine.load(program, place)
    engine.record["set_count"] = 2
    engine.push(action_event(0, "patch", 1))
    engine.push(midi_event(0, NOTE_ON, 60, 100))
    played(engine, 480)
    rng = np.random.default_rng(7)
    times = engine.time + APART * np.arange(RECALLS) + rng.integers(0, 200, RECALLS)
    cursor, half = int(engine.record["log_at"]), 0
    log = []
    widest, latest = 0.0, np.zeros((0, 2), np.float32)
    for at in range(0, RECALLS, 50):
        events = [action_event(int(time), "next") for time in times[at : at + 50]]
        heard = engine.render(APART * 50, block=BLOCK, events=events)
        widest = max(widest, largest_step(np.concatenate([latest, heard])))
        latest = heard[-1:]
        found, cursor, lost = engine.log_since(cursor)
        assert lost == 0
        log.append(found)
        half = memory_in_use() if at == RECALLS // 2 else half  # by then all that is used again has been used once
    played(engine, 2 * APART)
    found, cursor, _ = engine.log_since(cursor)
    actions = np.concatenate([*log, found])
    actions = actions[actions["kind"] == EVENT_ACTION]
    assert (actions["index"] == ACTIONS.index("next")).all()
    np.testing.assert_array_equal(actions["time"], times)
    assert int(engine.record["counters"]["late_events"]) == 0
    assert int(engine.record["counters"]["refused_events"]) == 0
    assert int(engine.record["n_held_notes"]) == 1
    assert int(engine.record["set_at"]) == RECALLS % 2
    assert widest <= within
    assert memory_in_use() - half < 512  # kilobytes


def test_the_first_sample_of_the_new_patch_is_that_of_the_event() -> None:
    programs = [bare_program() for _ in range(2)]
    for program, x in zip(programs, (0.25, -0.25), strict=True):
        for layer in range(LAYERS):
            program.draw_path(layer, np.array([[x / LAYERS, 0.0, 0.0]]))
        program.schedule()
    engine = started(programs[0])
    engine.record["set_slots"][:2] = [engine.load(program) for program in programs]
    engine.record["set_count"] = 2
    heard = engine.render(2 * BLOCK, block=BLOCK, events=[action_event(301, "next")])[:, 0]
    # Sample 1 was the first; a fade of no length is one sample long, at whose end the new patch is all there is.
    np.testing.assert_allclose(heard[:300], 0.25)
    np.testing.assert_allclose(heard[301:], -0.25)
