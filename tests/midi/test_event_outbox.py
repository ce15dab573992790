"""Events wait for room instead of being lost."""

from __future__ import annotations

from instrument.engine.engine import Engine, midi_event
from instrument.engine.memory.layout import RING_EVENTS, RING_MIDI
from instrument.engine.program import new_program
from instrument.midi.event_outbox import EngineRing, Outbox


def test_more_events_than_the_ring_holds_all_arrive_in_order() -> None:
    engine = Engine(48_000.0)
    engine.play(new_program())
    engine.render(64)
    outbox = Outbox(EngineRing(engine, RING_MIDI))
    count = RING_EVENTS + 500
    for k in range(count):
        outbox.send(midi_event(100, 0xB0, k % 120, k // 120))
    assert outbox.flush() == 500
    engine.render(64)
    _, cursor, _ = engine.log_since(0)
    assert outbox.flush() == 0
    engine.render(64)
    late, _, lost = engine.log_since(cursor)
    assert lost == 0
    assert [tuple(event["data"]) for event in late] == [(0xB0, k % 120, k // 120) for k in range(RING_EVENTS, count)]
    assert engine.record["counters"]["refused_events"] == 0


def test_no_more_than_asked_for_is_handed_on_at_once() -> None:
    engine = Engine(48_000.0)
    outbox = Outbox(EngineRing(engine, RING_MIDI))
    for k in range(10):
        outbox.send(midi_event(k, 0xB0, 1, k))
    assert outbox.flush(most=4) == 6
