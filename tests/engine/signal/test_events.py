"""Events: each on its own sample, in order, counted when late or refused, and copied for readers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.engine.engine import Event, midi_event, panic_event, set_event
from instrument.engine.memory.layout import (
    EVENT_MIDI,
    EVENT_SET,
    EVENT_SWAP,
    LOG_EVENTS,
    RING_COMMAND,
    RING_EVENTS,
    RING_MIDI,
    RING_PERFORM,
    RING_WINDOW,
)
from instrument.engine.parameters import COUNT, index_of
from tests.engine.playing import bare_program, dot, listen_to, one_circle, started
from tests.reference.midi import NOTE_ON

ADDRESS = "output.offset.x"


@settings(max_examples=40)
@given(st.lists(st.integers(1, 700), min_size=1, max_size=12, unique=True), st.sampled_from([1, 64, 999]))
def test_an_event_takes_effect_on_its_own_sample(times: list[int], block: int) -> None:
    engine = started(bare_program())
    begin = engine.time
    events = [set_event(begin + at, ADDRESS, (k + 1) / 16) for k, at in enumerate(sorted(times))]
    out = engine.render(800, block=block, events=events)[:, 0]
    wanted = np.searchsorted(sorted(times), np.arange(800), side="right") / 16
    np.testing.assert_array_equal(out, wanted)


def test_an_event_without_a_time_takes_effect_at_the_start_of_the_next_block() -> None:
    engine = started(bare_program())
    engine.push(set_event(0, ADDRESS, 0.5))
    np.testing.assert_array_equal(engine.render(10)[:, 0], [0.5] * 10)
    assert engine.record["counters"]["late_events"] == 0


def test_an_event_that_comes_too_late_takes_effect_at_once_and_is_counted() -> None:
    engine = started(bare_program())
    engine.render(100)
    engine.push(set_event(50, ADDRESS, 0.5))
    np.testing.assert_array_equal(engine.render(10)[:, 0], [0.5] * 10)
    assert engine.record["counters"]["late_events"] == 1


def test_an_event_in_time_is_not_counted_as_late() -> None:
    engine = started(bare_program())
    engine.render(100, events=[set_event(engine.time, ADDRESS, 0.5), set_event(engine.time + 7, ADDRESS, 0.1)])
    assert engine.record["counters"]["late_events"] == 0


def test_an_event_of_the_far_future_waits() -> None:
    engine = started(bare_program())
    engine.push(set_event(2**62, ADDRESS, 0.5))
    assert (engine.render(1000) == 0.0).all()


def test_events_of_one_sample_are_applied_in_the_order_of_their_rings() -> None:
    engine = started(bare_program())
    at = engine.time + 5
    values = {RING_COMMAND: 0.4, RING_PERFORM: 0.3, RING_MIDI: 0.1, RING_WINDOW: 0.2}
    for ring, value in values.items():
        engine.push(set_event(at, ADDRESS, value), ring)
    cursor = int(engine.record["log_at"])
    out = engine.render(10)[:, 0]
    events, _, _ = engine.log_since(cursor)
    np.testing.assert_array_equal(events["value"], [0.4, 0.1, 0.2, 0.3])
    np.testing.assert_array_equal(out, np.array([0.0] * 5 + [0.3] * 5, np.float32))


def test_events_of_several_rings_are_applied_in_the_order_of_their_times() -> None:
    engine = started(bare_program())
    cursor = int(engine.record["log_at"])
    begin = engine.time
    for ring, offsets in {RING_COMMAND: (1, 4, 9), RING_MIDI: (2, 4, 8), RING_WINDOW: (3,)}.items():
        for offset in offsets:
            engine.push(set_event(begin + offset, ADDRESS, offset / 16 + ring), ring)
    engine.render(20)
    events, _, _ = engine.log_since(cursor)
    assert (events["time"] - begin).tolist() == [1, 2, 3, 4, 4, 8, 9]
    assert (events["value"] % 1 * 16).tolist() == [1, 2, 3, 4, 4, 8, 9]


def test_readers_get_a_copy_with_the_time_at_which_it_was_applied() -> None:
    engine = started(one_circle())
    cursor = int(engine.record["log_at"])
    engine.push(midi_event(0, NOTE_ON, 60, 100, port=3), RING_MIDI)
    engine.push(set_event(engine.time + 9, ADDRESS, 0.25, at_once=True))
    begin = engine.time
    engine.render(20)
    events, cursor, lost = engine.log_since(cursor)
    assert lost == 0
    first, second = events
    assert (int(first["time"]), int(first["kind"]), int(first["port"])) == (begin, EVENT_MIDI, 3)
    assert first["data"].tolist() == [NOTE_ON, 60, 100]
    assert (int(second["time"]), int(second["kind"])) == (begin + 9, EVENT_SET)
    assert (int(second["index"]), float(second["value"])) == (index_of(ADDRESS), 0.25)
    assert int(second["flags"]) == set_event(0, ADDRESS, 0.0, at_once=True).flags
    assert len(engine.log_since(cursor)[0]) == 0


def test_a_reader_that_sleeps_too_long_is_told_how_much_it_missed() -> None:
    engine = started(bare_program())
    cursor = int(engine.record["log_at"])
    total = LOG_EVENTS + 1000
    begin = engine.time
    engine.render(total, events=[set_event(begin + k, ADDRESS, k / total) for k in range(total)])
    events, _, lost = engine.log_since(cursor)
    assert lost >= 1000
    assert len(events) == total - lost
    np.testing.assert_array_equal(events["time"] - begin, np.arange(lost, total))


def test_a_full_ring_refuses_and_counts() -> None:
    engine = started(bare_program())
    assert all(engine.push(set_event(0, ADDRESS, k / RING_EVENTS)) for k in range(RING_EVENTS))
    assert not engine.push(set_event(0, ADDRESS, 0.75))
    assert engine.record["counters"]["refused_events"] == 1
    assert engine.push(set_event(0, ADDRESS, 0.5), RING_PERFORM)
    engine.render(1)
    assert engine.value(ADDRESS) == 0.5
    assert engine.push(set_event(0, ADDRESS, 0.75))


def test_panic_releases_every_held_note() -> None:
    program = one_circle()
    listen_to(program, "gate", "layer.1.level", 0.0, 1.0)
    engine = started(program)
    for channel, key in ((0, 60), (3, 61), (15, 60)):
        engine.push(midi_event(0, NOTE_ON + channel, key, 100))
    engine.render(1)
    assert (engine.value("layer.1.level"), int(engine.record["n_held_notes"])) == (1.0, 3)
    engine.push(panic_event())
    engine.render(1)
    assert (engine.value("layer.1.level"), int(engine.record["n_held_notes"])) == (0.0, 0)


@pytest.mark.parametrize(
    "event",
    [
        Event(0, 99),
        Event(0, -1),
        *[Event(0, EVENT_SET, index, 0.5) for index in (-1, COUNT, 2**31 - 1, -(2**31))],
        *[Event(0, EVENT_SWAP, slot) for slot in (-1, 32, 2**31 - 1)],
    ],
)
def test_an_event_that_means_nothing_changes_nothing(event: Event) -> None:
    engine = started(dot(0.5, -0.25))
    before = engine.values()
    engine.push(event)
    np.testing.assert_array_equal(engine.render(100), np.full((100, 2), [0.5, -0.25], np.float32))
    assert engine.values() == before
