"""Only complete channel messages come through."""

from __future__ import annotations

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.midi.decode import channel_messages


def channel_message() -> st.SearchStrategy[mido.Message]:
    channel, seven = st.integers(0, 15), st.integers(0, 127)
    return st.one_of(
        st.builds(
            lambda c, n, v: mido.Message("note_on", channel=c, note=n, velocity=v), channel, seven, seven
        ),
        st.builds(
            lambda c, n, v: mido.Message("note_off", channel=c, note=n, velocity=v), channel, seven, seven
        ),
        st.builds(
            lambda c, n, v: mido.Message("polytouch", channel=c, note=n, value=v), channel, seven, seven
        ),
        st.builds(
            lambda c, n, v: mido.Message("control_change", channel=c, control=n, value=v),
            channel,
            seven,
            seven,
        ),
        st.builds(lambda c, p: mido.Message("program_change", channel=c, program=p), channel, seven),
        st.builds(lambda c, v: mido.Message("aftertouch", channel=c, value=v), channel, seven),
        st.builds(
            lambda c, p: mido.Message("pitchwheel", channel=c, pitch=p), channel, st.integers(-8192, 8191)
        ),
    )


@given(st.lists(channel_message(), max_size=8))
def test_messages_that_mido_encodes_come_through_in_order(messages: list[mido.Message]) -> None:
    expected = [tuple(([*message.bytes(), 0])[:3]) for message in messages]
    data = [byte for message in messages for byte in message.bytes()]
    assert list(channel_messages(data)) == expected


@given(st.lists(channel_message(), min_size=1, max_size=4), st.data())
def test_a_message_cut_short_is_dropped(messages: list[mido.Message], data: st.DataObject) -> None:
    whole = [byte for message in messages for byte in message.bytes()]
    cut = data.draw(st.integers(1, len(messages[-1].bytes()) - 1))
    assert len(list(channel_messages(whole[:-cut]))) == len(messages) - 1


@given(st.binary(max_size=64))
def test_whatever_comes_out_is_a_channel_message(data: bytes) -> None:
    for status, first, second in channel_messages(data):
        assert 0x80 <= status < 0xF0
        assert 0 <= first < 0x80
        assert 0 <= second < 0x80


# Source of the expected readings: MIDI 1.0 Detailed Specification 4.2, "Running Status", "System Common Messages"
# (any status byte ends a system exclusive message) and "System Real Time Messages".
@pytest.mark.parametrize(
    ("data", "messages"),
    [
        ([0x90, 60, 100, 62, 101], [(0x90, 60, 100), (0x90, 62, 101)]),
        ([0xB0, 0xF8, 7, 0xFE, 99], [(0xB0, 7, 99)]),
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
        "system common ends running status",
        "system exclusive is passed over",
        "a status byte ends system exclusive",
        "data without a status",
        "a new status ends a message cut short",
        "nothing",
    ],
)
def test_reads_a_run_of_bytes_as_the_specification_says(
    data: list[int], messages: list[tuple[int, int, int]]
) -> None:
    assert list(channel_messages(data)) == messages
