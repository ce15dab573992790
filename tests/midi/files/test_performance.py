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

from instrument.engine.memory.layout import EVENT_MIDI
from instrument.midi.files.performance import LONGEST_SECONDS, read_performance
from instrument.midi.message_decoder import MidiError
from tests.midi.messages import channel_message

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


def test_only_complete_messages_become_events(tmp_path: Path) -> None:
    track = [
        mido.MetaMessage("track_name", name="heron"),
        mido.Message("sysex", data=[1, 2, 3]),
        mido.Message("program_change", program=5),
        mido.Message("pitchwheel", pitch=0),
    ]
    events = read_performance(save(tmp_path / "a.mid", track), RATE)
    # MIDI 1.0: the bend's centre is 2000H, sent low seven bits first.
    assert [event.data for event in events] == [(0xC0, 5, 0), (0xE0, 0, 0x40)]


# A file that mido writes and reads is correct, and both readings of it are alike.
# Source: mido (an independent parser), and Standard MIDI Files 1.0 (RP-001) for what it is fed.
TRACK = st.lists(
    st.tuples(
        st.one_of(st.integers(0, 3), st.integers(0, 0x0FFFFFFF)),
        st.one_of(
            channel_message(),
            st.builds(tempo, st.integers(1, 0xFFFFFF)),
            st.builds(lambda name: mido.MetaMessage("track_name", name=name), st.text("heron é", max_size=9)),
            st.builds(lambda data: mido.Message("sysex", data=data), st.lists(st.integers(0, 127), max_size=200)),
        ),
    ),
    max_size=25,
)


@given(st.lists(TRACK, min_size=1, max_size=3), st.integers(1, 0x7FFF))
def test_correct_files_are_read_as_mido_reads_them(
    tmp_path_factory: pytest.TempPathFactory,
    tracks: list[list[tuple[int, mido.Message | mido.MetaMessage]]],
    ticks: int,
) -> None:
    path = tmp_path_factory.mktemp("midi") / "a.mid"
    timed = [[message.copy(time=pause) for pause, message in track] for track in tracks]
    save(path, *timed, ticks=ticks)
    told: list[str] = []
    events = read_performance(path, RATE, told.append)
    merged = []
    for track in mido.MidiFile(path).tracks:
        tick = 0
        for message in track:
            tick += message.time
            merged.append((tick, message))
    merged.sort(key=lambda pair: pair[0])
    expected, now, before, microseconds = [], Fraction(0), 0, 500_000
    for tick, message in merged:
        now += Fraction((tick - before) * microseconds, 1_000_000 * ticks)
        before = tick
        if message.type == "set_tempo":
            microseconds = message.tempo
        elif not message.is_meta and message.type != "sysex" and now <= LONGEST_SECONDS:
            expected.append((round(now * Fraction(RATE)), tuple(([*message.bytes(), 0])[:3])))
    assert [(event.time, event.data) for event in events] == expected
    assert all("no message in it" in sentence or "hours" in sentence for sentence in told)


def chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack(">I", len(content)) + content


def header(kind: int = 0, tracks: int = 1, division: int = 480) -> bytes:
    return chunk(b"MThd", struct.pack(">HHh", kind, tracks, division))


END = b"\0\xff\x2f\0"
NOTE = b"\x60\x90\x3c\x40"
"""96 ticks later, a note on."""


def played(folder: Path, content: bytes) -> tuple[list[tuple[int, ...]], list[str]]:
    """Times in ticks of 480 to the beat with the bytes of each message, and what was told."""
    path = folder / "a.mid"
    path.write_bytes(content)
    told: list[str] = []
    events = read_performance(path, RATE, told.append)
    assert all(sentence.startswith(f"{path}: ") and sentence.endswith(".") for sentence in told)
    return [(event.time // 50, *event.data) for event in events], [
        sentence.removeprefix(f"{path}: ") for sentence in told
    ]


ONE = [(96, 0x90, 60, 64)]
TWO = [*ONE, (192, 0x90, 60, 64)]
META = b"\0\xff\x01\x01x"
"""A text, after which a status byte may not be left out."""


class TestOddities:
    """Files as they are found in the world: played as far as they make sense, and each oddity told once."""

    @pytest.mark.parametrize(
        ("content", "notes", "said"),
        [
            (header() + chunk(b"MTrk", NOTE + END), ONE, []),
            (
                header() + chunk(b"MTrk", b"\0\xff\x59\x02\x0b\x00" + NOTE + END),
                ONE,
                ["no key signature 0b 00"],
            ),
            (header() + chunk(b"MTrk", b"\x60\x90\xbc\x40" + END), [(96, 0x90, 127, 64)], ["above 127"]),
            (header() + chunk(b"MTrk", NOTE), ONE, ["a track has no end (in track 1)"]),
            (header() + chunk(b"MTrk", NOTE + b"\x60\x90\x3c"), ONE, ["ends within a message"]),
            (header() + chunk(b"MTrk", NOTE + END + NOTE + END), TWO, ["goes on after its end"]),
            (header() + chunk(b"MTrk", NOTE + END + b"\0\0\0\0"), ONE, []),
            (
                header() + chunk(b"MTrk", NOTE + END + b"\x12\x13\x14"),
                ONE,
                ["makes no sense and is left out"],
            ),
            (
                header() + chunk(b"MTrk", NOTE + END)[:-2],
                ONE,
                ["length of a track is wrong", "within a message"],
            ),
            (
                header() + b"MTrk\xff\xff\xff\xff" + NOTE + END,
                ONE,
                ["the length of a track is wrong (in track 1)"],
            ),
            (header() + b"MTrk\0\0\0\x02" + NOTE + END, ONE, ["the length of a track is wrong (in track 1)"]),
            (header(tracks=3) + chunk(b"MTrk", NOTE + END), ONE, ["says 3 tracks, and there are 1"]),
            (header(kind=9) + chunk(b"MTrk", NOTE + END), ONE, ["no type 9"]),
            (header(division=0) + chunk(b"MTrk", NOTE + END), ONE, ["0 ticks a beat; 480 are taken"]),
            (header() + chunk(b"XFIH", b"buoy") + chunk(b"MTrk", NOTE + END), ONE, []),
            (header() + b"\x07\x80\x01" + chunk(b"MTrk", NOTE + END), ONE, ["belong to no track"]),
            (b"\0" * 128 + header() + chunk(b"MTrk", NOTE + END), ONE, ["128 bytes stand before its header"]),
            (chunk(b"MThd", b"\0\0\0\x01\x01\xe0more") + chunk(b"MTrk", NOTE + END), ONE, []),
            (header() + chunk(b"MTrk", b"\0\x3c\x40" + NOTE + END), [(0, 0x90, 60, 64)], ["data without"]),
            (
                header() + chunk(b"MTrk", NOTE + META + b"\x60\x3c\x40" + END),
                TWO,
                ["leaves out its status byte after one that does not allow it"],
            ),
            (header() + chunk(b"MTrk", NOTE + b"\x60\x3c\x40" + END), TWO, []),
            (header() + chunk(b"MTrk", b"\0\xff\x51\x03\0\0\0" + NOTE + END), ONE, ["tempo of 0 micro"]),
            (header() + chunk(b"MTrk", b"\0\xff\x51\x01\x07" + NOTE + END), ONE, ["in 1 bytes is left out"]),
            (
                header() + chunk(b"MTrk", b"\x80\x80\x80\x80\x60\x90\x3c\x40" + END),
                ONE,
                ["more than four bytes"],
            ),
            (header() + chunk(b"MTrk", b"\x60\xf8" + END), [(96, 0xF8, 0, 0)], ["as on a cable"]),
            (header() + chunk(b"MTrk", END), [], ["no message"]),
            (header(tracks=0), [], ["no message"]),
        ],
        ids=[
            "correct",
            "impossible key signature",
            "data byte above 127",
            "no end of track",
            "cut within a message",
            "end of track amid the track",
            "filled up with zeros",
            "rubbish behind the end",
            "cut file",
            "endless track",
            "track longer than it says",
            "wrong number of tracks",
            "no such type",
            "no ticks",
            "chunk of another kind",
            "rubbish between chunks",
            "something before the header",
            "longer header",
            "data without status",
            "running status after a meta event",
            "running status",
            "tempo of nothing",
            "short tempo",
            "number of five bytes",
            "clock in the open",
            "empty track",
            "no track",
        ],
    )
    def test_it_is_played_as_far_as_it_makes_sense(
        self, tmp_path: Path, content: bytes, notes: list[tuple[int, ...]], said: list[str]
    ) -> None:
        found, told = played(tmp_path, content)
        assert found == notes
        assert len(told) == len(said), told
        for sentence, words in zip(told, said, strict=True):
            assert words in sentence

    def test_a_riff_wrapping_is_taken_off(self, tmp_path: Path) -> None:
        # Multimedia Programming Interface and Data Specifications 1.0 (1991): RIFF, size, RMID, chunks.
        inside = header() + chunk(b"MTrk", NOTE + END)
        wrapped = b"RMID" + b"LIST\x03\0\0\0abc\0" + b"data" + struct.pack("<I", len(inside)) + inside
        found, told = played(tmp_path, b"RIFF" + struct.pack("<I", len(wrapped)) + wrapped)
        assert (found, told) == (ONE, [])

    def test_tracks_of_type_2_are_played_one_after_another_each_with_its_own_tempo(self, tmp_path: Path) -> None:
        slow = b"\0\xff\x51\x03\x0f\x42\x40" + NOTE + b"\x60\xff\x2f\0"  # a second a beat
        content = header(kind=2, tracks=2) + chunk(b"MTrk", slow) + chunk(b"MTrk", NOTE + END)
        found, told = played(tmp_path, content)
        assert found == [(192, 0x90, 60, 64), (384 + 96, 0x90, 60, 64)]
        assert told == ["its tracks share no time (type 2); they are played one after another."]

    def test_an_oddity_that_comes_often_is_told_once_with_its_number_and_first_place(self, tmp_path: Path) -> None:
        name = "灯台".encode()
        track = b"\0\xff\x03" + bytes([len(name)]) + name + b"\0\x90\xff\x40" * 1000 + END
        _, told = played(tmp_path, header(tracks=2) + chunk(b"MTrk", END) + chunk(b"MTrk", track))
        assert told == ["data bytes above 127 are taken as 127 (1000 times, first in track 2, '灯台')."]

    def test_messages_that_keep_time_come_through_an_escape(self, tmp_path: Path) -> None:
        # Standard MIDI Files 1.0, F7: any bytes may be sent this way, song position and real time among them.
        track = b"\0\xf7\x03\xf2\x05\x01" + b"\0\xf7\x01\xfb" + b"\x14\xf7\x01\xf8" + END
        found, told = played(tmp_path, header() + chunk(b"MTrk", track))
        assert found == [(0, 0xF2, 5, 1), (0, 0xFB, 0, 0), (20, 0xF8, 0, 0)]
        assert told == []

    def test_forty_minutes_with_hundreds_of_tempos_end_on_their_exact_sample(self, tmp_path: Path) -> None:
        track: list[mido.Message | mido.MetaMessage] = []
        expected = Fraction(0)
        for k in range(800):
            microseconds = 300_000 + 7919 * k % 600_000
            track.append(tempo(microseconds))
            for _ in range(50):
                track += [
                    mido.Message("note_on", note=60, time=48),
                    mido.Message("note_off", note=60, time=48),
                ]
            expected += Fraction(4800 * microseconds, 1_000_000 * 480)
        assert expected > 2400
        told: list[str] = []
        events = read_performance(save(tmp_path / "長い.mid", track), RATE, told.append)
        assert len(events) == 80_000
        assert events[-1].time == round(expected * 48_000)
        assert told == []

    @pytest.mark.parametrize(
        ("frames", "ticks", "a_second", "said"),
        [(24, 4, 96, []), (25, 40, 1000, []), (30, 80, 2400, []), (50, 10, 500, ["SMPTE has no 50 frames"]), (25, 0, 25, ["0 ticks a frame"])],
    )  # fmt: skip
    def test_smpte_divisions_count_frames(
        self, tmp_path: Path, frames: int, ticks: int, a_second: int, said: list[str]
    ) -> None:
        division = struct.unpack(">h", struct.pack(">bB", -frames, ticks))[0]
        found, told = played(tmp_path, header(division=division) + chunk(b"MTrk", NOTE + END))
        assert found[0][0] == 96 * 48_000 // a_second // 50
        assert len(told) == len(said)
        assert all(words in sentence for words, sentence in zip(said, told, strict=True))

    def test_a_performance_of_months_is_cut(self, tmp_path: Path) -> None:
        track = b"\0\xff\x51\x03\xff\xff\xff" + b"\xff\xff\xff\x7f\x90\x3c\x40" * 20 + END
        found, told = played(tmp_path, header(division=1) + chunk(b"MTrk", track))
        assert found == []
        assert told[0] == "messages behind 1000 hours are left out (20 times)."

    def test_a_file_of_ends_alone_is_read_in_its_time(self, tmp_path: Path) -> None:
        found, told = played(tmp_path, header() + chunk(b"MTrk", END * 50_000 + NOTE))
        assert found == ONE
        assert "goes on after its end" in told[0]


class TestRefusals:
    @pytest.mark.parametrize(
        ("content", "said"),
        [
            (b"", "not a MIDI file"),
            (b"RIFF\x00\x00\x00\x00WAVE", "not a MIDI file"),
            (b"MThd\x00\x00", "ends too early"),
        ],
        ids=["empty", "sound", "header cut"],
    )
    def test_a_file_that_cannot_be_played_is_one_sentence(self, tmp_path: Path, content: bytes, said: str) -> None:
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

    def test_a_file_of_more_than_32_megabytes_is_not_read(self, tmp_path: Path) -> None:
        path = tmp_path / "a.mid"
        with path.open("wb") as opened:
            opened.truncate((32 << 20) + 1)
        with pytest.raises(MidiError, match="larger than 32 MiB"):
            read_performance(path, RATE)


class TestRubbish:
    @given(st.binary(max_size=200), st.integers(0, 2), st.integers(-0x8000, 0x7FFF))
    def test_whatever_a_track_holds_is_played_somehow(
        self, tmp_path_factory: pytest.TempPathFactory, rubbish: bytes, kind: int, division: int
    ) -> None:
        path = tmp_path_factory.mktemp("midi") / "a.mid"
        path.write_bytes(header(kind, 1, division) + chunk(b"MTrk", rubbish))
        self.check(path)

    @given(st.binary(max_size=200))
    def test_whatever_follows_a_header_is_played_somehow(
        self, tmp_path_factory: pytest.TempPathFactory, rubbish: bytes
    ) -> None:
        path = tmp_path_factory.mktemp("midi") / "a.mid"
        path.write_bytes(header() + rubbish)
        self.check(path)

    @given(st.binary(max_size=200))
    def test_any_file_at_all_is_played_or_refused(
        self, tmp_path_factory: pytest.TempPathFactory, rubbish: bytes
    ) -> None:
        path = tmp_path_factory.mktemp("midi") / "a.mid"
        path.write_bytes(rubbish)
        with contextlib.suppress(MidiError):
            self.check(path)

    @given(st.data())
    def test_a_file_damaged_anywhere_is_played_somehow(
        self, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
    ) -> None:
        path = tmp_path_factory.mktemp("midi") / "a.mid"
        save(path, [tempo(400_000), *(cc(k, 5) for k in range(20))], [cc(3, 100)])
        content = bytearray(path.read_bytes())
        for _ in range(data.draw(st.integers(1, 6))):
            content[data.draw(st.integers(14, len(content) - 1))] = data.draw(st.integers(0, 255))
        path.write_bytes(content[: data.draw(st.integers(14, len(content)))])
        self.check(path)

    @staticmethod
    def check(path: Path) -> None:
        told: list[str] = []
        events = read_performance(path, RATE, told.append)
        assert len(set(told)) == len(told)
        assert all("\n" not in sentence for sentence in told)
        times = [event.time for event in events]
        assert times == sorted(times)
        assert not times or times[-1] <= LONGEST_SECONDS * RATE
        for event in events:
            status, first, second = event.data
            assert 0x80 <= status < 0xF0 or status in {0xF2, 0xF8, 0xFA, 0xFB, 0xFC}
            assert max(first, second) < 128
