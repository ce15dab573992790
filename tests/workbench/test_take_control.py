"""What was recorded, played again from its MIDI alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import mido
import numpy as np
import soundfile

from instrument.engine.memory.layout import EVENT_MIDI
from instrument.export.rendering import Rendering, render
from instrument.takes.performance_file import read_take_events
from tests.show.playing import LEVELS, Playing

if TYPE_CHECKING:
    from pathlib import Path


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
