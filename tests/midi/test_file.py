"""Standard MIDI Files become events on exact samples."""

from __future__ import annotations

import contextlib
import struct
from fractions import Fraction
from typing import TYPE_CHECKING

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.engine.layout import EVENT_MIDI
from instrument.midi.errors import MidiError
from instrument.midi.file import read_performance

if TYPE_CHECKING:
    from pathlib import Path

RATE = 48_000.0


def save(path: Path, *tracks: list[mido.Message | mido.MetaMessage], kind: int = 1, ticks: int = 480) -> Path:
    file = mido.MidiFile(type=kind, ticks_per_beat=ticks)
    file.tracks.extend(mido.MidiTrack(track) for track in tracks)
    file.save(path)
    return path


def cc(value: int, time: int = 0) -> mido.Message:
    return mido.Message("control_change", control=1, value=value, time=time)


def tempo(microseconds: int, time: int = 0) -> mido.MetaMessage:
    return mido.MetaMessage("set_tempo", tempo=microseconds, time=time)


def test_events_stand_on_the_nearest_sample_of_their_time(tmp_path: Path) -> None:
    # 480 ticks a beat at the usual 120 beats a minute are 960 ticks a second, 50 samples a tick.
    path = save(tmp_path / "a.mid", [cc(1, 7), cc(2, 0), cc(3, 953)])
    events = read_performance(path, RATE)
    assert [(event.time, event.data) for event in events] == [
        (350, (0xB0, 1, 1)),
        (350, (0xB0, 1, 2)),
        (48_000, (0xB0, 1, 3)),
    ]
    assert {event.kind for event in events} == {EVENT_MIDI}


def test_a_tempo_in_one_track_holds_for_all(tmp_path: Path) -> None:
    # Half a second for the first beat, then a second and a half for each of the next two.
    path = save(tmp_path / "a.mid", [tempo(1_500_000, 480)], [cc(1, 480), cc(2, 960)])
    assert [event.time for event in read_performance(path, RATE)] == [24_000, 168_000]


@given(
    st.lists(st.tuples(st.integers(0, 5000), st.integers(1, 0xFFFFFF)), max_size=12),
    st.integers(1, 0x7FFF),
    st.sampled_from([44_100.0, 48_000.0, 96_000.0, 192_000.0]),
)
def test_long_tempo_maps_add_up_without_error(
    tmp_path_factory: pytest.TempPathFactory, changes: list[tuple[int, int]], ticks: int, rate: float
) -> None:
    path = tmp_path_factory.mktemp("midi") / "a.mid"
    track: list[mido.Message | mido.MetaMessage] = []
    microseconds, expected, now = 500_000, [], Fraction(0)
    for pause, following in changes:
        track += [cc(9, pause), tempo(following)]
        now += Fraction(pause * microseconds, 1_000_000 * ticks)
        expected.append(round(now * Fraction(rate)))
        microseconds = following
    assert [event.time for event in read_performance(save(path, track, ticks=ticks), rate)] == expected


def test_smpte_time_counts_frames_and_not_beats(tmp_path: Path) -> None:
    # Standard MIDI Files 1.0, division: 0xE728 is 25 frames a second with 40 ticks a frame, 1000 ticks a second.
    path = save(tmp_path / "a.mid", [tempo(123_456), cc(1, 1500)])
    data = bytearray(path.read_bytes())
    data[12:14] = struct.pack(">bB", -25, 40)
    path.write_bytes(data)
    assert [event.time for event in read_performance(path, RATE)] == [72_000]


def test_drop_frame_time_is_thirty_thousand_frames_in_a_thousand_and_one_seconds(tmp_path: Path) -> None:
    path = save(tmp_path / "a.mid", [cc(1, 30_000)])
    data = bytearray(path.read_bytes())
    data[12:14] = struct.pack(">bB", -29, 1)
    path.write_bytes(data)
    assert [event.time for event in read_performance(path, RATE)] == [1001 * 48_000]


def test_only_channel_messages_become_events(tmp_path: Path) -> None:
    track = [
        mido.MetaMessage("track_name", name="heron"),
        mido.Message("sysex", data=[1, 2, 3]),
        mido.Message("program_change", program=5),
        mido.Message("pitchwheel", pitch=0),
    ]
    events = read_performance(save(tmp_path / "a.mid", track), RATE)
    # MIDI 1.0: the bend's centre is 2000H, sent low seven bits first.
    assert [event.data for event in events] == [(0xC0, 5, 0), (0xE0, 0, 0x40)]


class TestRefusals:
    @pytest.mark.parametrize(
        ("content", "said"),
        [
            (b"", "not a MIDI file"),
            (b"RIFF\x00\x00\x00\x00WAVE", "not a MIDI file"),
            (b"MThd\x00\x00", "ends too early"),
            (b"MThd\x00\x00\x00\x06\x00\x01\x00\x01\x01\xe0MTrk\x00\x00\x00\x20\x00\x90", "ends too early"),
            (b"MThd\x00\x00\x00\x06\x00\x02\x00\x00\x01\xe0", "type 2"),
            (b"MThd\x00\x00\x00\x06\x00\x00\x00\x00\x00\x00", "0 ticks"),
            (b"MThd\x00\x00\x00\x06\x00\x00\x00\x01\x01\xe0MTrk\x00\x00\x00\x04\x00\x3c\x40\x00", "damaged"),
        ],
        ids=["empty", "sound", "header cut", "track cut", "type 2", "no ticks", "data without status"],
    )
    def test_a_file_that_cannot_be_played_is_one_sentence(
        self, tmp_path: Path, content: bytes, said: str
    ) -> None:
        path = tmp_path / "a.mid"
        path.write_bytes(content)
        with pytest.raises(MidiError, match=said) as caught:
            read_performance(path, RATE)
        assert str(caught.value).startswith(f"{path}: ")
        assert "\n" not in str(caught.value)

    def test_a_folder_is_named_as_one(self, tmp_path: Path) -> None:
        with pytest.raises(MidiError, match="folder"):
            read_performance(tmp_path, RATE)

    def test_a_missing_file_is_named_as_one(self, tmp_path: Path) -> None:
        with pytest.raises(MidiError, match="no such file"):
            read_performance(tmp_path / "gone.mid", RATE)

    @given(st.binary(max_size=80))
    def test_rubbish_never_raises_anything_else(
        self, tmp_path_factory: pytest.TempPathFactory, rubbish: bytes
    ) -> None:
        path = tmp_path_factory.mktemp("midi") / "a.mid"
        path.write_bytes(b"MThd\x00\x00\x00\x06\x00\x01\x00\x01\x01\xe0MTrk\x00\x00\x00\x30" + rubbish)
        with contextlib.suppress(MidiError):
            read_performance(path, RATE)
