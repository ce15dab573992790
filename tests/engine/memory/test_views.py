"""Named views of the memory say what the engine itself says."""

from __future__ import annotations

import numpy as np
import pytest

from instrument.engine.engine import Engine, midi_event, set_event
from instrument.engine.memory import views
from instrument.engine.memory.allocation import allocate, attach
from instrument.engine.memory.layout import RING_EVENTS, RING_MIDI, SETLIST
from instrument.engine.parameters import INDEX
from tests.engine.playing import RATE, one_circle, started


def test_before_the_first_program_nothing_plays() -> None:
    record = Engine(RATE).record
    assert views.active_slot(record) == -1
    assert views.active_program(record) is None
    assert views.samples_rendered(record) == views.frames_written(record) == views.events_applied(record) == 0
    assert views.sample_rate(record) == RATE


def test_values_targets_and_program_are_those_of_the_instance_that_events_reach() -> None:
    program = one_circle()
    program.record["ramp_seconds"] = 0.1
    engine = started(program)
    for _ in range(2):
        slot = engine.play(program)
        engine.set("layer.1.level", 0.25)
        engine.render(100)
        level = INDEX["layer.1.level"]
        assert views.active_slot(engine.record) == slot
        assert views.active_values(engine.record)[level] == engine.value("layer.1.level") != 0.25
        assert views.active_targets(engine.record)[level] == 0.25
        playing = views.active_program(engine.record)
        assert playing is not None
        assert playing["layers"]["source"].tolist() == program.record["layers"]["source"].tolist()


def test_counts_grow_with_what_is_rendered_and_applied() -> None:
    engine = started(one_circle())
    before = views.samples_rendered(engine.record), views.events_applied(engine.record)
    engine.render(300, events=[set_event(0, "layer.1.level", 0.5)], block=100)
    assert views.samples_rendered(engine.record) - before[0] == 300
    assert views.frames_written(engine.record) == views.samples_rendered(engine.record)
    events = views.logged_events(engine.record, before[1], views.events_applied(engine.record))
    assert events["index"].tolist() == [INDEX["layer.1.level"]]
    assert int(views.counters(engine.record)["frames"]) == engine.time


def test_a_ring_has_room_for_all_but_what_waits_in_it() -> None:
    engine = started(one_circle())
    engine.push(midi_event(0, 0x90, 60, 100), RING_MIDI)
    assert views.ring_room(engine.record, RING_MIDI) == RING_EVENTS - 1
    assert int(views.event_ring(engine.record, RING_MIDI)["tail"]) == 1


def test_held_notes_and_the_voices_that_they_sound() -> None:
    program = one_circle()
    program.set("layer.1.notes.mode", 2)
    engine = started(program)
    engine.render(100, events=[midi_event(0, 0x90, key, 100) for key in (60, 64)])
    assert views.held_notes(engine.record)["key"].tolist() == [60, 64]
    assert sorted(views.voices(engine.record, 0)["key"].tolist()) == [60, 64]
    assert len(views.voices(engine.record, 1)) == 0


def test_a_blackout_is_dark_from_its_beginning_to_the_end_of_its_fade() -> None:
    engine = started(one_circle())
    assert not views.is_dark(engine.record)
    engine.record["blackout"] = 1
    engine.render(100)
    engine.record["blackout"] = 0
    assert views.is_dark(engine.record)
    assert not views.is_blacked_out(engine.record)
    engine.render(round(0.01 * RATE))
    assert not views.is_dark(engine.record)


def test_the_table_of_the_set_list_is_what_the_callback_goes_by() -> None:
    record = Engine(RATE).record
    table = views.SetListTable(record)
    table.set_count(SETLIST + 5)
    assert int(record["set_count"]) == SETLIST
    for index in range(4):
        table.hold(index, index + 10)
    table.forget(1, 1)
    assert [table.slot(index) for index in range(4)] == [10, -1, 12, 13]
    table.forget(2)
    assert [table.slot(index) for index in range(4)] == [10, -1, -1, -1]
    table.position = 3
    assert table.position == views.set_position(record) == 3


@pytest.mark.parametrize("view", [views.active_values, views.counters, views.held_notes, views.is_frozen])
def test_another_process_sees_the_same(view: object) -> None:
    memory = allocate(RATE, shared=True, ring_seconds=0.01)
    seen = attach(memory.name)
    try:
        assert callable(view)
        np.testing.assert_array_equal(view(seen.record), view(memory.record))
    finally:
        seen.close()
        memory.close()
