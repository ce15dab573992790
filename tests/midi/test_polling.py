"""Messages from ports reach the engine on the samples of their arrival."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, cast

import numpy as np
import pytest

from instrument.engine.engine import Engine
from instrument.engine.memory.layout import EVENT_MIDI
from instrument.engine.program import new_program
from instrument.midi.polling import MARGIN_SECONDS, MidiPoll
from tests.show.listening import wait_until

if TYPE_CHECKING:
    from instrument.midi.rtmidi_ports import InputPort

RATE = 48_000.0
BLOCK = 64


class Cable:
    """A port whose messages were stamped when they arrived and are found by a later poll."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._waiting: list[tuple[list[int], float]] = []
        self._before = 0

    def arrive(self, *message: int) -> int:
        now = time.monotonic_ns()
        self._waiting.append((list(message), (now - self._before) / 1e9 if self._before else 0.0))
        self._before = now
        return now

    def poll(self) -> tuple[list[int], float] | None:
        return self._waiting.pop(0) if self._waiting else None


@pytest.fixture
def engine() -> Engine:
    engine = Engine(RATE)
    engine.play(new_program())
    return engine


def poll_of(engine: Engine, *cables: Cable) -> MidiPoll:
    poll = MidiPoll(engine, lambda: BLOCK / RATE)
    for number, cable in enumerate(cables):
        poll.add(cast("InputPort", cable), number)
    return poll


def applied(engine: Engine) -> list[tuple[int, tuple[int, ...], int]]:
    log, _, _ = engine.log_since(0)
    return [
        (int(row["time"]), tuple(row["data"].tolist()), int(row["port"]))
        for row in log
        if int(row["kind"]) == EVENT_MIDI
    ]


def test_a_late_poll_keeps_the_distance_of_messages(engine: Engine) -> None:
    cable = Cable("heron")
    poll = poll_of(engine, cable)
    out = np.zeros((BLOCK, 2), np.float32)
    engine.render_into(out)
    assert poll._clock.observe()
    poll.poll_once(1000.0)
    arrivals = [cable.arrive(0xB0, 1, 0)]
    poll.poll_once(1000.0)
    for k in range(1, 5):
        time.sleep(0.003)
        arrivals.append(cable.arrive(0xB0, 1, k))
    poll.poll_once(1000.0)
    engine.render(9600)
    times = [time for time, _, _ in applied(engine)]
    expected = (np.array(arrivals) - arrivals[0]) * RATE / 1e9
    assert np.abs(np.diff(times) - np.diff(expected)).max() <= 8
    assert MARGIN_SECONDS * RATE < 1000


def test_messages_of_several_ports_are_merged_by_time_and_carry_their_port(engine: Engine) -> None:
    left, right = Cable("left"), Cable("right")
    poll = poll_of(engine, left, right)
    engine.render(BLOCK)
    poll._clock.observe()
    left.arrive(0xB0, 1, 0)
    right.arrive(0xB0, 2, 0)
    poll.poll_once(100.0)
    for k in range(1, 4):
        time.sleep(0.002)
        right.arrive(0xB0, 2, k)
        time.sleep(0.002)
        left.arrive(0xB0, 1, k)
    poll.poll_once(100.0)
    engine.render(9600)
    assert [(data[1:], port) for _, data, port in applied(engine)[2:]] == [
        ((number, k), port) for k in range(1, 4) for number, port in ((2, 1), (1, 0))
    ]


def test_only_complete_messages_get_through(engine: Engine) -> None:
    cable = Cable("heron")
    poll = poll_of(engine, cable)
    engine.render(BLOCK)
    poll._clock.observe()
    for message in ([0xFE], [0x90, 60], [0xF0, 1, 2, 0xF7], [0x90, 60, 1, 62, 2], [0xF3, 5]):
        cable.arrive(*message)
    poll.poll_once(100.0)
    engine.render(4800)
    assert [data for _, data, _ in applied(engine)] == [(0x90, 60, 1), (0x90, 62, 2)]
    assert poll.received == 2


def test_what_keeps_time_reaches_the_engine_in_its_place(engine: Engine) -> None:
    cable = Cable("tide clock")
    poll = poll_of(engine, cable)
    engine.render(BLOCK)
    poll._clock.observe()
    messages = [
        (0xFA, 0, 0),
        (0xF8, 0, 0),
        (0x90, 60, 1),
        (0xF8, 0, 0),
        (0xFC, 0, 0),
        (0xF2, 5, 1),
        (0xFB, 0, 0),
    ]
    for status, first, second in messages:
        cable.arrive(*([status] if status >= 0xF8 else [status, first, second]))
    poll.poll_once(100.0)
    engine.render(4800)
    assert [data for _, data, _ in applied(engine)] == messages


def test_a_port_can_be_added_and_dropped_while_others_are_polled(engine: Engine) -> None:
    left, right = Cable("left"), Cable("right")
    poll = poll_of(engine, left)
    engine.render(BLOCK)
    poll.start()
    try:
        poll.add(cast("InputPort", right), 7)
        right.arrive(0x90, 60, 1)
        wait_until(lambda: poll.received == 1, "the first message")
        poll.drop(cast("InputPort", right))
        right.arrive(0x90, 61, 1)
        left.arrive(0x90, 62, 1)
        wait_until(lambda: poll.received == 2, "the second message")
    finally:
        poll.close()
    engine.render(9600)
    assert [(data, port) for _, data, port in applied(engine)] == [((0x90, 60, 1), 7), ((0x90, 62, 1), 0)]


def test_it_knows_what_a_port_holds_down_and_until_when(engine: Engine) -> None:
    cable = Cable("heron")
    poll = MidiPoll(engine, lambda: BLOCK / RATE)
    held = poll.add(cast("InputPort", cable), 0)
    engine.render(BLOCK)
    poll._clock.observe()
    cable.arrive(0x92, 60, 100)
    poll.poll_once(2000.0)
    assert held.release_all([]) == [(0x82, 60, 64)]
    engine.render(9600)
    assert applied(engine)[-1][0] == poll.last
