"""Takes of a show: who may begin and end them, and that what was recorded plays again from its MIDI alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import mido
import numpy as np
import pytest
import soundfile

from instrument.engine.engine import action_event
from instrument.engine.memory.allocation import allocate
from instrument.engine.memory.layout import EVENT_MIDI
from instrument.export.rendering import Rendering, render
from instrument.takes.performance_file import read_take_events
from instrument.takes.recorder_client import RecordedEngine, Recording
from instrument.workbench.take_control import TakeControl
from tests.show.playing import LEVELS, Playing


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, Path]]:
    """What the recorder was asked for, instead of being asked."""
    calls: list[tuple[str, Path]] = []

    def begin(recording: Recording, parent: Path) -> None:
        recording._wanted = True
        calls.append(("begin", parent))

    def stop(recording: Recording) -> None:
        recording._wanted = False
        calls.append(("stop", Path()))

    monkeypatch.setattr(Recording, "begin", begin)
    monkeypatch.setattr(Recording, "stop", stop)
    monkeypatch.setattr(Recording, "record_retrospectively", lambda _, parent: calls.append(("keep", parent)))
    return calls


def recording_in(folder: Path | None) -> tuple[RecordedEngine, TakeControl]:
    engine = RecordedEngine(48_000, allocate(48_000))
    return engine, TakeControl(engine, folder, 0.0, {}, print)


def test_the_action_record_begins_a_take_and_ends_it(asked: list[Any], tmp_path: Path) -> None:
    engine, recording = recording_in(tmp_path)
    for wanted in (["begin"], ["begin", "stop"]):
        engine.push(action_event(0, "record"))
        engine.render(64)
        recording.poll()
        recording.poll()
        assert [what for what, _ in asked] == wanted


def test_the_window_may_say_which_way(asked: list[Any], tmp_path: Path) -> None:
    _, recording = recording_in(tmp_path)
    for on in (False, True, True, None):
        recording.ask("record", on)
    recording.ask("keep")
    assert asked == [("begin", tmp_path), ("stop", Path()), ("keep", tmp_path)]


def recorded(tmp_path: Path, name: str, patch: Path, perform: Path) -> Path:
    """A short take from the first sample on."""
    folder = str(tmp_path / name)
    with Playing([patch], audio="off", record=folder, seconds=1.8, perform=str(perform)) as show:
        show.engine()
        assert show.process.wait(60) == 0
    (take,) = (tmp_path / name).iterdir()
    return take


def test_the_midi_of_a_take_gives_the_same_sound_again_live_and_offline(tmp_path: Path) -> None:
    patch, tune = tmp_path / "levels.toml", tmp_path / "tune.mid"
    patch.write_text(LEVELS)
    messages = [mido.Message("control_change", control=1, value=13 * k % 128, time=37 + k) for k in range(12)]
    messages += [mido.Message("note_on", note=20 + 7 * k, velocity=100, time=21) for k in range(12)]
    mido.MidiFile(ticks_per_beat=480, tracks=[mido.MidiTrack(messages)]).save(tune)
    first = recorded(tmp_path, "first", patch, tune)
    second = recorded(tmp_path, "second", patch, first / "performance.mid")
    sounds = [soundfile.read(take / "sound.wav", dtype="float32")[0] for take in (first, second)]
    begins = []
    for take in (first, second):
        events, _ = read_take_events(take / "performance.mid", 48_000)
        played = events[events["kind"] == EVENT_MIDI]
        assert len(played) == 24
        begins.append(int(played["time"][0]))
    # The second begins later by as much as its file is kept waiting; the sound is the same from there on.
    ours, theirs = (sound[begin - 1 :] for sound, begin in zip(sounds, begins, strict=True))
    common = min(len(ours), len(theirs))
    assert common > 48_000
    assert len(np.unique(ours[:, 0])) > 10
    assert ours[:common].tobytes() == theirs[:common].tobytes()
    out = tmp_path / "offline.wav"
    render(Rendering(patch, out, perform=first / "performance.mid", seconds=len(sounds[0]) / 48_000))
    assert soundfile.read(out, dtype="float32")[0].tobytes() == sounds[0].tobytes()
