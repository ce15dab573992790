"""Events wait for room instead of being lost."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import mido
import numpy as np
import pytest

from instrument.audio.silent import SilentClock
from instrument.engine.engine import Engine, midi_event
from instrument.engine.memory.layout import EVENT_MIDI, RING_EVENTS, RING_MIDI, RING_PERFORM
from instrument.engine.program import new_program
from instrument.midi.event_feed import EngineRing, EventSender, PerformanceFeeder
from instrument.midi.files.performance import read_performance
from tests.show.listening import wait_until

if TYPE_CHECKING:
    from pathlib import Path

    from instrument.engine.engine import Event
    from instrument.engine.program import Program


def test_more_events_than_the_ring_holds_all_arrive_in_order() -> None:
    engine = Engine(48_000.0)
    engine.play(new_program())
    engine.render(64)
    outbox = EventSender(EngineRing(engine, RING_MIDI))
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
    outbox = EventSender(EngineRing(engine, RING_MIDI))
    for k in range(10):
        outbox.send(midi_event(k, 0xB0, 1, k))
    assert outbox.flush(most=4) == 6


RATE = 48_000.0


@pytest.fixture
def events(tmp_path: Path) -> list[Event]:
    """Messages at odd distances over 1.5 s, a dense bunch among them."""
    track = mido.MidiTrack()
    for k in range(200):
        track.append(mido.Message("control_change", control=1, value=k % 128, time=(7 * k) % 15))
    for k in range(500):
        track.append(mido.Message("note_on", note=k % 128, velocity=1 + k % 127, time=k % 2))
    file = mido.MidiFile(type=0, tracks=[track])
    file.save(tmp_path / "a.mid")
    return read_performance(tmp_path / "a.mid", RATE)


def midi_log(engine: Engine) -> list[tuple[int, tuple[int, ...]]]:
    log, _, lost = engine.log_since(0)
    assert lost == 0
    return [(int(row["time"]), tuple(row["data"].tolist())) for row in log if int(row["kind"]) == EVENT_MIDI]


def test_live_every_event_takes_effect_on_its_own_sample(level_program: Program, events: list[Event]) -> None:
    engine = Engine(RATE)
    engine.play(level_program)
    with SilentClock(engine, 256) as clock:
        clock.start()
        time.sleep(0.1)
        feeder = PerformanceFeeder(engine, events)
        feeder.start()
        wait_until(lambda: len(midi_log(engine)) == len(events), "the end of the performance")
        feeder.close()
    assert midi_log(engine) == [(event.time + feeder.start_sample, event.data) for event in events]
    assert engine.record["counters"]["late_events"] == 0


def test_live_and_offline_give_the_same_sound(level_program: Program, events: list[Event]) -> None:
    live = Engine(RATE)
    live.play(level_program)
    with SilentClock(live, 64) as clock:
        clock.start()
        time.sleep(0.1)
        feeder = PerformanceFeeder(live, events)
        feeder.start()
        length = events[-1].time + 4800
        wait_until(lambda: live.time > feeder.start_sample + length, "the end of the performance")
        feeder.close()
    offline = Engine(RATE)
    offline.play(level_program)
    rendered = offline.render(length, events=events, ring=RING_PERFORM)
    start = feeder.start_sample
    assert np.array_equal(live.record["ring"][start : start + length], rendered)
    assert len(np.unique(rendered[:, 0])) > 100


def test_more_events_at_one_moment_than_the_ring_holds_all_arrive(level_program: Program) -> None:
    engine = Engine(RATE)
    engine.play(level_program)
    engine.render(64)
    count = RING_EVENTS + 1000
    feeder = PerformanceFeeder(engine, [midi_event(0, 0xB0, k % 120, k // 120) for k in range(count)])
    with SilentClock(engine, 64) as clock:
        clock.start()
        feeder.start()
        wait_until(lambda: int(engine.record["log_at"]) >= count + 1, "all events")
        feeder.close()
    assert [data for _, data in midi_log(engine)] == [(0xB0, k % 120, k // 120) for k in range(count)]
    assert engine.record["counters"]["refused_events"] == 0


def test_closing_in_the_middle_pushes_no_more(events: list[Event]) -> None:
    engine = Engine(RATE)
    feeder = PerformanceFeeder(engine, [*events, *(event for event in events[-1:] for _ in range(3))])
    feeder.start()
    feeder.close()
    pushed = int(engine.record["rings"][RING_PERFORM]["tail"])
    time.sleep(0.1)
    assert int(engine.record["rings"][RING_PERFORM]["tail"]) == pushed
