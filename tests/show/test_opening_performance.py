"""Until somebody plays, the patch's own performance does; a hand takes over at once, and nothing hangs."""

from pathlib import Path
from unittest.mock import Mock

import mido
import numpy as np
import pytest

from instrument.engine.engine import Engine, midi_event
from instrument.engine.memory.layout import RING_MIDI, RING_WINDOW
from instrument.midi.files.performance import read_performance
from instrument.patch.build import build_program
from instrument.patch.patch_file import patch_from_text
from instrument.show import opening_performance as opening
from instrument.show.opening_performance import AHEAD_SECONDS, PAUSE_SECONDS, OpeningPerformance

RATE = 48_000
LOOK = RATE // 50
PATCH = """schema = 1
ramp = 0
[[layer]]
[layer.source]
kind = "harmonic"
preset = "circle"
[[control]]
message = "note"
parameter = "layer.1.pen.key"
[[control]]
message = "gate"
parameter = "layer.1.level"
"""


def performance(path: Path, key: int) -> None:
    file = mido.MidiFile(ticks_per_beat=480)  # at 120 a minute
    note = [mido.Message("note_on", note=key, velocity=90), mido.Message("note_off", note=key, time=960)]
    file.tracks.append(mido.MidiTrack(note))
    file.save(path)


class Stage:
    """An engine that is looked after fifty times a second of its own time."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "tide.toml"
        self.engine = Engine(RATE)
        self.begun = 0
        self._program = build_program(patch_from_text(PATCH, self.path))
        self.engine.play(self._program)
        self.opening = OpeningPerformance(self.engine, lambda: self.path, self.begin_again)

    def begin_again(self) -> None:
        self.begun += 1
        self.engine.play(self._program)

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * 50)):
            self.opening.poll()
            self.engine.render(LOOK)

    @property
    def key(self) -> float:
        return self.engine.value("layer.1.pen.key")

    @property
    def sounds(self) -> bool:
        return self.engine.value("layer.1.level") > 0


@pytest.fixture
def stage(tmp_path: Path) -> Stage:
    performance(tmp_path / "tide.mid", 50)
    performance(tmp_path / "moth.mid", 60)
    return Stage(tmp_path)


def test_the_performance_is_played(stage: Stage) -> None:
    stage.run(0.5)
    assert (stage.key, stage.sounds) == (50, True)
    stage.run(1.2)
    assert not stage.sounds


def test_it_goes_round_with_the_patch_begun_again_and_its_file_is_read_once(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = Mock(side_effect=read_performance)
    monkeypatch.setattr(opening, "read_performance", read)
    stage.run(AHEAD_SECONDS + 1 + PAUSE_SECONDS + 0.1)
    assert stage.begun == 1
    stage.run(AHEAD_SECONDS + 0.1)
    assert (stage.key, stage.sounds) == (50, True)
    assert read.call_count == 1


@pytest.mark.parametrize("ring", [RING_MIDI, RING_WINDOW])
def test_a_hand_takes_over_and_its_note_is_not_cut(stage: Stage, ring: int) -> None:
    stage.run(0.5)
    stage.engine.push(midi_event(0, 0x90, 72, 80), ring)
    stage.run(0.5)
    assert stage.opening.over
    assert (stage.key, stage.sounds) == (72, True)
    stage.engine.push(midi_event(0, 0x80, 72, 0), ring)
    stage.run(4)
    assert not stage.sounds  # what the performance held has been let go
    assert stage.begun == 0


def test_a_clock_is_no_hand(stage: Stage) -> None:
    stage.run(0.2)
    for _ in range(24):
        stage.engine.push(midi_event(0, 0xF8), RING_MIDI)
    stage.run(0.2)
    assert not stage.opening.over


def test_another_patch_has_its_own_performance_or_none(stage: Stage) -> None:
    stage.run(0.5)
    stage.path = stage.path.with_name("moth.toml")
    stage.run(0.5)
    assert (stage.key, stage.sounds) == (60, True)
    stage.path = stage.path.with_name("silent.toml")
    stage.run(0.5)
    assert not stage.sounds
    assert not stage.opening.over


def test_a_file_that_is_no_performance_leaves_the_patch_alone(stage: Stage) -> None:
    stage.path.with_suffix(".mid").write_bytes(b"tide table")
    stage.run(0.5)
    assert np.isclose(stage.key, 69)
