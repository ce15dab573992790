"""What a controller holds down can be let go of without it."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from instrument.midi.held_down import Held

MESSAGE = st.one_of(
    st.tuples(st.integers(0x80, 0xEF), st.integers(0, 127), st.integers(0, 127)),
    st.tuples(st.integers(0x80, 0x93), st.integers(58, 61), st.integers(0, 2)),
    st.tuples(st.integers(0xB0, 0xB3), st.sampled_from([64, 66, 120, 121, 123, 127]), st.integers(0, 127)),
)
"""Any channel message, those that hold and let go more often than chance would have it."""


def seeing(*messages: tuple[int, int, int]) -> Held:
    held = Held()
    for message in messages:
        held.see(*message)
    return held


def test_a_key_that_is_down_is_let_go_of_on_its_channel() -> None:
    # MIDI 1.0 Detailed Specification, Note Off: 40H is the velocity of an instrument that measures none.
    assert seeing((0x93, 60, 100)).let_go([]) == [(0x83, 60, 0x40)]


def test_a_key_that_came_up_is_not() -> None:
    assert seeing((0x93, 60, 100), (0x83, 60, 0)).let_go([]) == []
    assert seeing((0x93, 60, 100), (0x93, 60, 0)).let_go([]) == []


def test_pedals_that_are_down_are_lifted() -> None:
    # Table III: sustain is 64, sostenuto 66; from 64 on they are down.
    held = seeing((0xB1, 64, 64), (0xB1, 66, 127), (0xB2, 64, 63))
    assert held.let_go([]) == [(0xB1, 64, 0), (0xB1, 66, 0)]


def test_letting_go_is_done_once() -> None:
    held = seeing((0x90, 60, 100), (0xB0, 64, 127))
    assert held.let_go([])
    assert held.let_go([]) == []


def test_a_key_that_another_port_holds_too_stays_down() -> None:
    other = seeing((0x90, 60, 1))
    assert seeing((0x90, 60, 100), (0x90, 61, 100)).let_go([other]) == [(0x80, 61, 64)]


def test_all_sound_off_and_mode_messages_hold_nothing_any_more() -> None:
    for number in (120, 123, 124, 125, 126, 127):
        assert seeing((0x95, 60, 100), (0xB5, number, 0)).let_go([]) == []
    assert seeing((0x95, 60, 100), (0xB4, 123, 0)).let_go([]) == [(0x85, 60, 64)]


@given(st.lists(MESSAGE, max_size=60))
def test_nothing_is_held_once_it_was_let_go_of(messages: list[tuple[int, int, int]]) -> None:
    held = seeing(*messages)
    copy = seeing(*messages)
    for message in held.let_go([]):
        copy.see(*message)
    assert not copy.keys.any()
    assert (copy.pedals < 64).all()
    assert np.array_equal(held.keys, copy.keys)
