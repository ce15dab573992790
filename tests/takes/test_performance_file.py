"""Performances as MIDI files: a tick is a sample, and what MIDI cannot say is in words."""

import math
from contextlib import suppress
from fractions import Fraction
from pathlib import Path

import mido
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.engine.memory.layout import (
    EVENT,
    EVENT_MIDI,
    EVENT_PANIC,
    EVENT_SET,
    EVENT_SWAP,
    FLAG_AT_ONCE,
    FLAG_CARRY,
)
from instrument.engine.parameters import ADDRESSES
from instrument.takes.event_text import EventLineFile, event_from_text, read_event_lines
from instrument.takes.performance_file import LONGEST_DELTA, division_of, read_take_events, write_take_events
from instrument.takes.take_folder import TakeError
from tests.strategies import any_number

RATES = (8_000, 11_025, 22_050, 32_000, 44_100, 48_000, 64_000, 88_200, 96_000, 176_400, 192_000, 384_000)

Row = tuple[int, float, int, int, tuple[int, int, int], int, int]


def midi_row(time: int, data: tuple[int, int, int], port: int = 0) -> Row:
    return (time, 0.0, EVENT_MIDI, 0, data, port, 0)


bytes3 = st.tuples(*[st.integers(0, 255)] * 3)
rows = st.one_of(
    st.builds(midi_row, st.integers(0, 10**10), bytes3, st.integers(0, 127)),
    st.builds(
        lambda time, value, index, flags: (time, value, EVENT_SET, index, (0, 0, 0), 0, flags),
        st.integers(0, 10**10),
        any_number(),
        st.integers(0, len(ADDRESSES) - 1),
        st.sampled_from([0, FLAG_AT_ONCE]),
    ),
    st.builds(
        lambda time, number, fade, flags: (time, fade, EVENT_SWAP, number, (0, 0, 0), 0, flags),
        st.integers(0, 10**10),
        st.integers(-1, 9999),
        st.floats(0, 1e9),
        st.sampled_from([0, FLAG_CARRY]),
    ),
    st.builds(lambda time: (time, 0.0, EVENT_PANIC, 0, (0, 0, 0), 0, 0), st.integers(0, 10**10)),
)


def same(found: np.ndarray[tuple[int, ...], np.dtype[np.void]], wanted: list[Row]) -> bool:
    expected = np.array(sorted(wanted, key=lambda row: row[0]), EVENT)
    # All nans are alike; every other number has its own bits.
    values = [[0.0 if math.isnan(value) else value for value in array["value"].tolist()] for array in (found, expected)]
    nans = [[math.isnan(value) for value in array["value"].tolist()] for array in (found, expected)]
    signs = [[math.copysign(1, value) for value in array] for array in values]
    others = ("time", "kind", "index", "data", "flags")
    ports = [array["port"][array["kind"] == EVENT_MIDI].tolist() for array in (found, expected)]
    return (
        values[0] == values[1]
        and nans[0] == nans[1]
        and signs[0] == signs[1]
        and ports[0] == ports[1]
        and all(found[name].tolist() == expected[name].tolist() for name in others)
    )


@pytest.mark.parametrize("rate", RATES)
def test_a_tick_is_exactly_one_sample(rate: int) -> None:
    division, tempo = division_of(rate)
    # Standard MIDI Files 1.0: a division of 15 bits, a tempo of 24.
    assert 1 <= division < 1 << 15
    assert 1 <= tempo < 1 << 24
    assert Fraction(tempo, 1_000_000 * division) == Fraction(1, rate)


def test_48_khz_is_24000_ticks_a_quarter_at_500000_microseconds() -> None:
    assert division_of(48_000) == (24_000, 500_000)


def test_a_rate_that_no_file_can_say_is_refused() -> None:
    with pytest.raises(TakeError, match="44101 Hz cannot be kept exactly"):
        division_of(44_101)


@given(wanted=st.lists(rows, max_size=8), rate=st.sampled_from(RATES))
def test_every_event_comes_back_as_it_was(
    wanted: list[Row], rate: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("score") / "x.mid"
    events = np.array(sorted(wanted, key=lambda row: row[0]), EVENT)
    end = 10**10 + 5
    write_take_events(path, events, rate, end)
    found, length = read_take_events(path, rate)
    assert same(found, wanted)
    assert length == end


@given(wanted=st.lists(rows, max_size=8), cut=st.integers(0, 200))
def test_a_journal_gives_back_every_whole_line(
    wanted: list[Row], cut: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("journal") / "events.jsonl"
    events = np.array(sorted(wanted, key=lambda row: row[0]), EVENT)
    journal = EventLineFile(path)
    journal.add(events)
    journal.close()
    assert same(read_event_lines(path), wanted)
    data = path.read_bytes()
    path.write_bytes(data[: max(len(data) - cut, 0)])
    whole = path.read_bytes().count(b"\n")
    assert same(read_event_lines(path), sorted(wanted, key=lambda row: row[0])[:whole])


def test_mido_reads_the_right_times_and_raw_messages(tmp_path: Path) -> None:
    events = np.array(
        [midi_row(0, (0x90, 60, 100)), midi_row(24_001, (0xB3, 1, 64)), midi_row(96_000, (0xC0, 5, 0))], EVENT
    )
    write_take_events(tmp_path / "x.mid", events, 48_000, 144_000)
    file = mido.MidiFile(tmp_path / "x.mid")
    assert file.ticks_per_beat == 24_000
    assert file.length == pytest.approx(3.0, abs=1e-9)
    at, found = 0.0, []
    for message in file:
        at += message.time
        if not message.is_meta:
            found.append((round(at * 48_000), message.bytes()))
    assert found == [(0, [0x90, 60, 100]), (24_001, [0xB3, 1, 64]), (96_000, [0xC0, 5])]


def test_times_beyond_what_one_delta_holds_are_exact(tmp_path: Path) -> None:
    time = 3 * LONGEST_DELTA + 17
    write_take_events(tmp_path / "x.mid", np.array([midi_row(time, (0x90, 1, 1))], EVENT), 192_000, time)
    found, _ = read_take_events(tmp_path / "x.mid", 192_000)
    assert found["time"].tolist() == [time]


def test_a_file_saved_by_others_with_other_ticks_keeps_its_time(tmp_path: Path) -> None:
    track = mido.MidiTrack(
        [
            mido.MetaMessage("set_tempo", tempo=250_000),
            mido.Message("note_on", note=60, time=480),
            mido.MetaMessage("text", text="set layer.1.level 0.5", time=240),
        ]
    )
    mido.MidiFile(type=1, ticks_per_beat=480, tracks=[track]).save(tmp_path / "x.mid")
    found, _ = read_take_events(tmp_path / "x.mid", 48_000)
    assert found["time"].tolist() == [12_000, 18_000]
    assert found["value"].tolist() == [0.0, 0.5]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("set layer.1.plac.spin.x 1", "Did you mean layer.1.place.spin.x?"),
        ("set layer.1.level much", "'much' in .* is not a number"),
        ("set layer.1.level 0x1.8p999999999", "is not a number"),
        ("program", "is no event; it may read: set ADDRESS NUMBER"),
        ("program 99999999999999", "is no event"),
        ("raw 90 3c", "is no event"),
        ("__import__('os')", "is no event"),
    ],
)
def test_words_that_say_nothing_are_refused_with_what_may_be_said(words: str, said: str) -> None:
    with pytest.raises(TakeError, match=said):
        event_from_text(words)


def test_bad_words_are_found_by_file_and_sample(tmp_path: Path) -> None:
    track = mido.MidiTrack([mido.MetaMessage("text", text="set nothing 1", time=24_000)])
    mido.MidiFile(type=0, ticks_per_beat=24_000, tracks=[track]).save(tmp_path / "x.mid")
    with pytest.raises(TakeError, match=r"x\.mid, sample 24000: there is no parameter nothing"):
        read_take_events(tmp_path / "x.mid", 48_000)


@given(data=st.binary(max_size=200))
def test_no_bytes_are_worse_than_a_plain_error(data: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("score") / "x.mid"
    path.write_bytes(b"MThd\0\0\0\6\0\0\0\1\1\xe0MTrk" + data)
    with suppress(TakeError):
        read_take_events(path, 48_000)
