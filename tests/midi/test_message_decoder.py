"""Only complete messages come through: those of channels, and those that keep time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.midi.message_decoder import complete_messages
from tests.midi.messages import channel_message

if TYPE_CHECKING:
    import mido


@given(st.lists(channel_message(), max_size=8))
def test_messages_that_mido_encodes_come_through_in_order(messages: list[mido.Message]) -> None:
    expected = [tuple(([*message.bytes(), 0])[:3]) for message in messages]
    data = [byte for message in messages for byte in message.bytes()]
    assert list(complete_messages(data)) == expected


@given(st.lists(channel_message(), min_size=1, max_size=4), st.data())
def test_a_message_cut_short_is_dropped(messages: list[mido.Message], data: st.DataObject) -> None:
    whole = [byte for message in messages for byte in message.bytes()]
    cut = data.draw(st.integers(1, len(messages[-1].bytes()) - 1))
    assert len(list(complete_messages(whole[:-cut]))) == len(messages) - 1


@given(st.binary(max_size=64))
def test_whatever_comes_out_is_a_complete_message(data: bytes) -> None:
    for status, first, second in complete_messages(data):
        assert 0x80 <= status < 0xF0 or status in {0xF2, 0xF8, 0xFA, 0xFB, 0xFC}
        assert 0 <= first < 0x80
        assert 0 <= second < 0x80


# Source of the expected readings: MIDI 1.0 Detailed Specification 4.2, "Running Status", "System Common Messages"
# (any status byte ends a system exclusive message) and "System Real Time Messages".
@pytest.mark.parametrize(
    ("data", "messages"),
    [
        ([0x90, 60, 100, 62, 101], [(0x90, 60, 100), (0x90, 62, 101)]),
        ([0xB0, 0xF8, 7, 0xFE, 99], [(0xF8, 0, 0), (0xB0, 7, 99)]),
        ([0xFA, 0xFB, 0xFC, 0xF9, 0xFD, 0xFF], [(0xFA, 0, 0), (0xFB, 0, 0), (0xFC, 0, 0)]),
        ([0xF2, 0x10, 0x20, 0x30, 0x40], [(0xF2, 0x10, 0x20)]),
        ([0xF2, 0x10, 0xF8, 0x20], [(0xF8, 0, 0), (0xF2, 0x10, 0x20)]),
        ([0xF0, 1, 0xF8, 2, 0xF7], [(0xF8, 0, 0)]),
        ([0x90, 60, 0xF1, 5, 100], []),
        ([0xF0, 1, 2, 3, 0xF7, 0xC5, 9], [(0xC5, 9, 0)]),
        ([0xF0, 1, 2, 0x80, 60, 0], [(0x80, 60, 0)]),
        ([12, 13, 0xD0, 64], [(0xD0, 64, 0)]),
        ([0x90, 60, 0x80, 61, 0], [(0x80, 61, 0)]),
        ([], []),
    ],
    ids=[
        "running status",
        "real-time bytes in between",
        "of real time, only what keeps it",
        "song position, which has no running status",
        "a clock inside the song position",
        "a clock inside system exclusive",
        "system common ends running status",
        "system exclusive is passed over",
        "a status byte ends system exclusive",
        "data without a status",
        "a new status ends a message cut short",
        "nothing",
    ],
)
def test_reads_a_run_of_bytes_as_the_specification_says(data: list[int], messages: list[tuple[int, int, int]]) -> None:
    assert list(complete_messages(data)) == messages
