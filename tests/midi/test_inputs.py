"""Inputs are opened when they are plugged in, and what they hold is let go of when they are unplugged."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.midi.inputs import NUMBERS, HeldKeys, Inputs
from instrument.midi.message_decoder import MidiError
from instrument.midi.port_names import PortInfo

if TYPE_CHECKING:
    from instrument.engine.engine import Event


class Port:
    def __init__(self, name: str, number: int) -> None:
        self.name = name
        self.number = number
        self.held = HeldKeys()
        self.connected = True
        self.closed = False

    def is_there(self) -> bool:
        return self.connected

    def close(self) -> int:
        self.closed = True
        return 1234


class System:
    """A MIDI system whose plugs the test pulls and puts in."""

    def __init__(self, *names: str) -> None:
        self.names = list(names)
        self.opened: list[Port] = []
        self.busy: set[str] = set()
        self.ended = False

    def end(self) -> None:
        self.ended = True

    def list_inputs(self) -> list[PortInfo]:
        return [PortInfo(name) for name in self.names]

    def open_own_port(self, number: int) -> Port:
        return self.open(PortInfo("Beamhand"), number)

    def open(self, plug: PortInfo, number: int) -> Port:
        if plug.name in self.busy:
            raise MidiError(f"{plug.name} belongs to somebody else.")
        port = Port(plug.name, number)
        self.opened.append(port)
        return port


@pytest.fixture
def pushed() -> list[Event]:
    return []


def begun(system: System, pushed: list[Event], *wanted: str) -> Inputs:
    inputs = Inputs([system], wanted, pushed.append, "Beamhand")
    inputs.check()
    assert inputs.begin() == []
    return inputs


def test_every_controller_and_our_own_port_are_open_from_the_start(pushed: list[Event]) -> None:
    inputs = begun(System("heron", "moth"), pushed)
    assert inputs.names == ["Beamhand", "heron", "moth"]


def test_a_name_goes_with_the_number_that_its_messages_carry(pushed: list[Event]) -> None:
    system = System("heron", "moth")
    inputs = begun(system, pushed)
    assert inputs.numbers == [(0, "Beamhand"), (1, "heron"), (2, "moth")]
    system.names.remove("heron")
    inputs.poll()
    assert inputs.numbers == [(0, "Beamhand"), (2, "moth")]


def test_one_that_is_plugged_in_later_is_opened_and_said(pushed: list[Event]) -> None:
    system = System()
    inputs = begun(system, pushed)
    system.names.append("moth")
    assert inputs.poll() == ["the MIDI input 'moth' plays."]
    assert inputs.poll() == []
    assert inputs.names == ["Beamhand", "moth"]


def test_what_an_unplugged_one_holds_is_let_go_of_behind_its_last_message(pushed: list[Event]) -> None:
    system = System("moth")
    inputs = begun(system, pushed)
    port = system.opened[-1]
    port.held.update(0x91, 60, 100)
    port.held.update(0xB1, 64, 127)
    system.names.clear()
    assert inputs.poll() == ["the MIDI input 'moth' is gone: what it held is let go of."]
    assert [(event.time, event.data, event.port) for event in pushed] == [
        (1234, (0x81, 60, 64), port.number),
        (1234, (0xB1, 64, 0), port.number),
    ]
    assert port.closed


def test_one_that_comes_back_is_opened_again_with_its_number(pushed: list[Event]) -> None:
    system = System("heron", "moth")
    inputs = begun(system, pushed)
    number = system.opened[-1].number
    system.names.remove("moth")
    inputs.poll()
    system.names.append("buoy")
    inputs.poll()
    system.names.append("moth")
    inputs.poll()
    assert (system.opened[-1].name, system.opened[-1].number) == ("moth", number)
    assert len({port.number for port in system.opened}) == 4


def test_one_that_was_away_between_two_looks_is_connected_again(pushed: list[Event]) -> None:
    system = System("moth")
    inputs = begun(system, pushed)
    system.opened[-1].connected = False
    system.opened[-1].held.update(0x90, 60, 1)
    assert len(inputs.poll()) == 2
    assert [event.data for event in pushed] == [(0x80, 60, 64)]
    assert system.opened[-1].connected


def test_one_that_refuses_is_said_once_and_tried_again(pushed: list[Event]) -> None:
    system = System("moth")
    system.busy.add("moth")
    inputs = Inputs([system], (), pushed.append, "Beamhand")
    assert inputs.begin() == ["moth belongs to somebody else."]
    assert inputs.poll() == []
    system.busy.clear()
    assert inputs.poll() == ["the MIDI input 'moth' plays."]


def test_a_refusal_of_our_own_port_is_said_and_the_others_play(pushed: list[Event]) -> None:
    system = System("moth")
    system.busy.add("Beamhand")
    inputs = Inputs([system], (), pushed.append, "Beamhand")
    assert inputs.begin() == ["Beamhand belongs to somebody else."]
    assert inputs.names == ["moth"]


def test_of_a_name_only_what_has_it_is_opened_whenever_it_comes(pushed: list[Event]) -> None:
    system = System("moth one")
    inputs = begun(system, pushed, "moth")
    system.names += ["heron", "moth two"]
    inputs.poll()
    assert inputs.names == ["Beamhand", "moth one", "moth two"]


def test_a_system_that_ends_lets_go_of_all_that_it_played(pushed: list[Event]) -> None:
    lost, kept = System("moth"), System("heron")
    inputs = Inputs([lost, kept], ("moth", "heron"), pushed.append, "Beamhand")
    inputs.begin()
    for port in lost.opened + kept.opened:
        port.held.update(0x90, 50 + port.number, 1)
    inputs.forget(lost)
    assert lost.ended
    assert sorted(event.data[1] for event in pushed) == sorted(50 + port.number for port in lost.opened)
    assert inputs.names == ["Beamhand", "heron"]
    assert inputs.poll() == []


def test_numbers_are_given_again_when_a_name_is_new_every_time(pushed: list[Event]) -> None:
    # ALSA counts its clients up, so that a controller has another name whenever it is plugged in.
    system = System()
    inputs = begun(system, pushed)
    for k in range(2 * NUMBERS):
        system.names[:] = [f"moth {k}:0"]
        inputs.poll()
        assert inputs.names == ["Beamhand", f"moth {k}:0"]
    assert {port.number for port in system.opened} <= set(range(NUMBERS))


MESSAGE = st.one_of(
    st.tuples(st.integers(0x80, 0xEF), st.integers(0, 127), st.integers(0, 127)),
    st.tuples(st.integers(0x80, 0x93), st.integers(58, 61), st.integers(0, 2)),
    st.tuples(st.integers(0xB0, 0xB3), st.sampled_from([64, 66, 120, 121, 123, 127]), st.integers(0, 127)),
)
"""Any channel message, those that hold and let go more often than chance would have it."""


def seeing(*messages: tuple[int, int, int]) -> HeldKeys:
    held = HeldKeys()
    for message in messages:
        held.update(*message)
    return held


def test_a_key_that_is_down_is_let_go_of_on_its_channel() -> None:
    # MIDI 1.0 Detailed Specification, Note Off: 40H is the velocity of an instrument that measures none.
    assert seeing((0x93, 60, 100)).release_all([]) == [(0x83, 60, 0x40)]


def test_a_key_that_came_up_is_not() -> None:
    assert seeing((0x93, 60, 100), (0x83, 60, 0)).release_all([]) == []
    assert seeing((0x93, 60, 100), (0x93, 60, 0)).release_all([]) == []


def test_pedals_that_are_down_are_lifted() -> None:
    # Table III: sustain is 64, sostenuto 66; from 64 on they are down.
    held = seeing((0xB1, 64, 64), (0xB1, 66, 127), (0xB2, 64, 63))
    assert held.release_all([]) == [(0xB1, 64, 0), (0xB1, 66, 0)]


def test_letting_go_is_done_once() -> None:
    held = seeing((0x90, 60, 100), (0xB0, 64, 127))
    assert held.release_all([])
    assert held.release_all([]) == []


def test_a_key_that_another_port_holds_too_stays_down() -> None:
    other = seeing((0x90, 60, 1))
    assert seeing((0x90, 60, 100), (0x90, 61, 100)).release_all([other]) == [(0x80, 61, 64)]


def test_all_sound_off_and_mode_messages_hold_nothing_any_more() -> None:
    for number in (120, 123, 124, 125, 126, 127):
        assert seeing((0x95, 60, 100), (0xB5, number, 0)).release_all([]) == []
    assert seeing((0x95, 60, 100), (0xB4, 123, 0)).release_all([]) == [(0x85, 60, 64)]


@given(st.lists(MESSAGE, max_size=60))
def test_nothing_is_held_once_it_was_let_go_of(messages: list[tuple[int, int, int]]) -> None:
    held = seeing(*messages)
    copy = seeing(*messages)
    for message in held.release_all([]):
        copy.update(*message)
    assert not copy.keys.any()
    assert (copy.pedals < 64).all()
    assert np.array_equal(held.keys, copy.keys)
