"""The recorder keeps every sample and every event, wherever a take begins, and the take renders again bit for bit."""

from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

from instrument.engine.engine import Event, action_event, midi_event, panic_event, set_event
from instrument.engine.memory.layout import (
    EVENT_ACTION,
    EVENT_MIDI,
    EVENT_SWAP,
    RING_COMMAND,
    RING_MIDI,
    RING_WINDOW,
)
from instrument.patch.build import build_program
from instrument.patch.patch_file import patch_from_text
from instrument.takes import recorder
from instrument.takes.performance_file import read_take_events
from instrument.takes.replay import Comparison, open_take, render_take
from instrument.takes.take_folder import read_metadata
from tests.takes.playing import MOVING, Studio, studio


def sound_of(take: Path) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    found: np.ndarray[tuple[int, ...], np.dtype[np.float32]]
    found, _ = soundfile.read(take / "sound.wav", dtype="float32")
    return found


def rendered_again(take: Path, block: int = 333) -> str:
    stored = open_take(take)
    comparison = Comparison(stored)
    for _ in comparison.through(render_take(stored, block=block)):
        pass
    return comparison.sentence()


def perform(playing: Studio) -> None:
    """Everything that can happen to an engine, in awkward moments."""
    engine = playing.engine
    engine.push(midi_event(engine.time + 10, 0xB0, 1, 100), RING_MIDI)
    playing.play(1000)
    engine.push(set_event(0, "layer.1.level", 1 / 3), RING_COMMAND)
    engine.push(midi_event(engine.time + 77, 0x90, 60, 100), RING_MIDI)
    engine.push(midi_event(engine.time + 77, 0x90, 67, 1), RING_WINDOW)
    playing.play(500, block=7)
    playing.load("moth", z=0.3)
    playing.play(2000)
    engine.push(set_event(0, "output.gain.y", float("inf"), at_once=True), RING_COMMAND)
    playing.play(300)
    engine.push(set_event(0, "output.gain.y", -0.1), RING_COMMAND)
    playing.load("moth", z=-0.7, carry=True, fade=0.05)
    playing.play(700)
    playing.load("buoy")  # amid the fade of the one before
    engine.push(midi_event(engine.time + 5, 0xE0, 1, 2, port=3), RING_MIDI)
    engine.push(panic_event(engine.time + 6), RING_MIDI)
    engine.push(Event(engine.time + 7, EVENT_MIDI, data=(0x90, 200, 255)), RING_MIDI)
    playing.play(3000)


def test_a_take_from_the_first_sample_is_the_show(tmp_path: Path) -> None:
    with studio(tmp_path) as playing:
        playing.load("buoy")
        take = playing.begin()
        perform(playing)
        assert playing.stop() == take
        assert sound_of(take).tobytes() == playing.sound.tobytes()
    metadata = read_metadata(take)
    assert metadata.complete
    assert metadata.exact
    assert metadata.begins_at == 0
    assert [Path(row.patch).name for row in metadata.program] == ["buoy.toml", "moth.toml", "moth.toml"]
    assert "the same bytes as the recording" in rendered_again(take)


@pytest.mark.parametrize("before", [1, 40, 2500, 5003])
def test_a_take_from_the_midst_renders_again_bit_for_bit(before: int, tmp_path: Path) -> None:
    """It begins amid a ramp, a fade, a filter that settles, a delay line that is full, and modulators under way."""
    with studio(tmp_path) as playing:
        playing.load("buoy")
        playing.play(4000)
        playing.load("moth", z=0.2)
        playing.engine.push(set_event(0, "layer.1.place.scale.x", 0.2), RING_COMMAND)
        playing.engine.push(midi_event(0, 0xB0, 1, 3), RING_MIDI)
        playing.play(before)
        take = playing.begin()
        perform(playing)
        playing.stop()
        assert sound_of(take).tobytes() == playing.sound[4000 + before :].tobytes()
    assert read_metadata(take).begins_at == 4000 + before
    assert "the same bytes as the recording" in rendered_again(take)


def test_the_latest_sound_can_be_kept_after_the_fact(tmp_path: Path) -> None:
    with studio(tmp_path, keep=0.1) as playing:
        playing.load("buoy")
        perform(playing)
        take = playing.keep()
        assert sound_of(take).tobytes() == playing.sound[-4800:].tobytes()
        assert len(playing.sound) > 4800
        perform(playing)
        later = playing.keep()
    assert later != take
    for kept in (take, later):
        assert "the same bytes as the recording" in rendered_again(kept)


def test_a_take_can_be_kept_while_another_is_recorded(tmp_path: Path) -> None:
    with studio(tmp_path, keep=1.0) as playing:
        playing.load("buoy")
        take = playing.begin()
        perform(playing)
        kept = playing.keep()
        perform(playing)
        assert playing.stop() == take
        assert sound_of(take).tobytes() == playing.sound.tobytes()
        assert sound_of(kept).tobytes() == playing.sound[: len(sound_of(kept))].tobytes()


def test_the_performance_holds_raw_messages_and_words(tmp_path: Path) -> None:
    with studio(tmp_path) as playing:
        playing.load("buoy")
        playing.play(1000)
        take = playing.begin()
        perform(playing)
        playing.stop()
    events, end = read_take_events(take / "performance.mid", 48_000)
    log, _, _ = playing.engine.log_since(0)
    mine = log[log["time"] >= 1000]
    assert end == len(playing.sound) - 1000
    for name in ("value", "kind", "data", "port", "flags"):
        assert events[name].tolist() == mine[name].tolist()
    assert (events["time"] + 1000).tolist() == mine["time"].tolist()


def test_frames_that_were_lost_are_silent_counted_and_said(tmp_path: Path) -> None:
    playing = Studio(tmp_path)
    playing.load("buoy")
    ring = int(playing.engine.record["ring_frames"])
    playing.requests.put({"do": "start", "folder": str(tmp_path)})
    playing.recorder._receive()
    playing.recorder._handle(playing.recorder._requested.popleft())
    sound = playing.engine.render(ring + 5000)
    playing.start()
    take = playing.stop()
    playing.close()
    metadata = read_metadata(take)
    assert metadata.lost_frames == 5064  # and the chunk that the callback may be writing
    assert metadata.lost == [(0, 5064)]
    assert not metadata.exact
    assert "has lost 5064 frames" in playing.said()
    recorded = sound_of(take)
    assert not recorded[:5064].any()
    assert recorded[5064:].tobytes() == sound[5064:].tobytes()
    assert "but for the frames that it had lost" in rendered_again(take)


ACTING = """
[[control]]
message = "note"
action = "patch"
choose = {other}
[[control]]
message = "note"
action = "snapshot"
choose = 2
[[control]]
message = "cc"
number = 20
action = "morph"
[[control]]
message = "cc"
number = 21
action = "next"
[[control]]
message = "cc"
number = 22
action = "record"
[[control]]
message = "cc"
number = 23
parameter = "tempo.tap"
[[snapshot]]
name = "as it begins"
values = {{"layer.1.level" = 1, "layer.1.place.turn.z" = 0}}
[[snapshot]]
name = "small"
values = {{"layer.1.level" = 0.3, "layer.1.place.turn.z" = 0.25}}
"""
"""One key changes the patch and recalls a snapshot of the new one."""


def test_what_controls_ask_for_happens_once_again_and_no_more(tmp_path: Path) -> None:
    with studio(tmp_path) as playing:
        engine = playing.engine
        for place, title in enumerate(("buoy", "moth")):
            text = MOVING.format(title=title, z=place) + ACTING.format(other=2 - place)
            engine.record["set_slots"][place] = playing.hold(title, text, place)
        engine.record["set_count"] = 2
        take = playing.begin()
        engine.push(action_event(0, "patch", 1))
        playing.play(500)
        for k, message in enumerate(
            [
                (0x90, 60, 100),  # the other patch, and its second snapshot
                (0xB0, 20, 1),  # morphs back to the first
                (0xB0, 21, 127),  # the next patch
                (0xB0, 23, 127), (0xB0, 23, 0), (0xB0, 23, 127), (0xB0, 23, 0),
                (0xB0, 22, 127),
                (0x90, 61, 100),
                (0xB0, 20, 2),
            ]
        ):  # fmt: skip
            engine.push(midi_event(engine.time + 10 + k, *message), RING_MIDI)
            playing.play(700, block=64)
        playing.stop()
    metadata = read_metadata(take)
    assert metadata.exact
    assert len(metadata.program) == 2
    events, _ = read_take_events(take / "performance.mid", 48_000)
    assert (events["kind"] == EVENT_SWAP).sum() == 4
    assert (events["kind"] == EVENT_ACTION).sum() >= 8
    texts = {message.text for message in mido.MidiFile(take / "performance.mid").tracks[0] if message.type == "text"}
    assert {"action patch 2", "action snapshot 2", "action next", "action record", "program 1"} <= texts
    assert rendered_again(take).startswith("the same bytes")


def test_a_program_nobody_knows_is_admitted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder, "NOTICE_SECONDS", 0.1)
    with studio(tmp_path) as playing:
        playing.load("buoy")
        take = playing.begin()
        playing.play(500)
        other = build_program(patch_from_text(MOVING.format(title="moth", z=0.2), tmp_path / "moth.toml"))
        playing.engine.play(other)
        playing.play(500)
        playing.stop()
    metadata = read_metadata(take)
    assert not metadata.exact
    assert "a program was gone before it could be kept" in metadata.doubts


def test_a_slot_that_was_filled_again_before_it_was_read_is_admitted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder, "NOTICE_SECONDS", 0.1)
    playing = Studio(tmp_path)
    for place, z in ((0, 0.25), (1, 0.5)):
        playing.hold("buoy", MOVING.format(title="buoy", z=z), place)
    playing.engine.record["set_slots"][:2] = (0, 1)
    playing.engine.record["set_count"] = 2
    for number in (1, 2):
        playing.engine.push(action_event(0, "patch", number))
        playing.engine.render(6000)
    # Of the first patch only a drawing is another one when the recorder comes.
    playing.hold("buoy", MOVING.format(title="buoy", z=0.75), 0)
    playing.start()
    take = playing.begin()
    playing.play(500)
    playing.stop()
    playing.close()
    assert "a program was gone before it could be kept" in read_metadata(take).doubts


def test_tags_are_in_the_sound(tmp_path: Path) -> None:
    with studio(tmp_path) as playing:
        playing.load("buoy")
        take = playing.begin(tags={"artist": "the harbour watch", "date": "2031-01-02"})
        playing.play(500)
        playing.stop()
    with soundfile.SoundFile(take / "sound.wav") as file:
        assert (file.title, file.artist, file.date) == ("buoy", "the harbour watch", "2031-01-02")


def test_a_folder_that_cannot_be_made_is_said_and_the_show_goes_on(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    with studio(tmp_path) as playing:
        playing.load("buoy")
        playing.ask("start", folder=str(tmp_path / "file"))
        playing.play(500)
        playing.begin()
        playing.play(500)
        assert len(sound_of(playing.stop())) == 500
    assert "the recording cannot begin" in playing.said()
