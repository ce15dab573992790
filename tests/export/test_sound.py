"""Rendering to files of sound."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from instrument.engine.engine import Engine, midi_event
from instrument.engine.memory.layout import MESSAGES
from instrument.engine.parameters import index_of
from instrument.engine.program import Program, new_program
from instrument.export.sound import ExportError, check_rate, export_sound

RATE = 48000


@pytest.fixture
def circle() -> Program:
    program = new_program()
    program.draw_harmonic(0, (np.array([[0.7, 1.0, 0.25]]), np.array([[0.7, 1.0, 0.0]]), np.zeros((0, 3))))
    control = program.record["controls"][0]
    control["message"] = MESSAGES.index("cc")
    control["channel"], control["number"] = -1, 1
    control["param"], control["lo"], control["hi"] = index_of("layer.1.level"), 0.0, 1.0
    program.record["n_controls"] = 1
    program.schedule()
    return program


def playing(program: Program, rate: float = RATE) -> Engine:
    engine = Engine(rate)
    engine.play(program)
    return engine


def test_a_wav_holds_every_sample_as_rendered(circle: Program, tmp_path: Path) -> None:
    path = tmp_path / "circle.wav"
    export_sound(playing(circle), path, 100_000, 512, [])
    found, rate = soundfile.read(path, dtype="float32")
    assert rate == RATE
    assert soundfile.info(path).subtype == "FLOAT"
    assert found.tobytes() == playing(circle).render(100_000).tobytes()


def test_a_flac_is_within_half_a_step_of_24_bits(circle: Program, tmp_path: Path) -> None:
    path = tmp_path / "circle.flac"
    export_sound(playing(circle), path, 50_000, 512, [])
    found, _ = soundfile.read(path, dtype="float64")
    assert soundfile.info(path).subtype == "PCM_24"
    # A sample is kept as a whole number of 2**-23 (FLAC format, RFC 9639, on PCM samples); one more for truncation.
    assert np.abs(found - playing(circle).render(50_000)).max() <= 2.0**-23


def test_the_block_does_not_show_in_the_file(circle: Program, tmp_path: Path) -> None:
    events = [
        midi_event(40_000, 0xB0, 1, 20),
        midi_event(40_001, 0xB0, 1, 90),
        midi_event(70_000, 0xB0, 1, 0),
    ]
    files = []
    for block in (7, 1000):
        path = tmp_path / f"{block}.wav"
        export_sound(playing(circle), path, 80_000, block, events)
        files.append(soundfile.read(path, dtype="float32")[0].tobytes())
    assert files[0] == files[1]


def test_an_event_changes_the_file_on_its_sample(circle: Program, tmp_path: Path) -> None:
    path, plain = tmp_path / "moved.wav", tmp_path / "plain.wav"
    export_sound(playing(circle), path, 60_000, 1024, [midi_event(45_678, 0xB0, 1, 0)])
    export_sound(playing(circle), plain, 60_000, 1024, [])
    changed = np.flatnonzero((soundfile.read(path)[0] != soundfile.read(plain)[0]).any(axis=1))
    assert changed[0] == 45_678


def test_an_event_at_the_very_beginning_is_not_lost(circle: Program, tmp_path: Path) -> None:
    engine = playing(circle)
    export_sound(engine, tmp_path / "silent.wav", 10_000, 1024, [midi_event(0, 0xB0, 1, 0)])
    assert engine.value("layer.1.level") == 0.0


def test_an_unknown_ending_is_refused_with_the_known_ones(circle: Program, tmp_path: Path) -> None:
    with pytest.raises(ExportError, match=r"cannot write \.ogg; use \.flac, \.gif, \.mkv, \.mp4, \.png, \.wav, \.webp"):
        export_sound(playing(circle), tmp_path / "x.ogg", 10, 64, [])


@pytest.mark.parametrize("rate", [0.0, -48000.0, 44100.5])
def test_a_rate_that_no_file_holds_is_refused(rate: float, tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="is not a sample rate; use a whole number"):
        check_rate(tmp_path / "x.wav", rate)


def test_a_failed_writing_keeps_the_older_file(circle: Program, tmp_path: Path) -> None:
    folder = tmp_path / "gone"
    with pytest.raises(ExportError, match="cannot be written"):
        export_sound(playing(circle), folder / "x.wav", 10, 64, [])
    older = tmp_path / "x.wav"
    older.write_bytes(b"older")
    (tmp_path / ".x.wav.part").mkdir()
    with pytest.raises((ExportError, OSError)):
        export_sound(playing(circle), older, 10, 64, [])
    assert older.read_bytes() == b"older"
