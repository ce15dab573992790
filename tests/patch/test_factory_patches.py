"""The factory patches play, are seen, stay below the guard's knee at rest, and answer to a hand."""

import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from instrument.engine.engine import Engine, midi_event
from instrument.patch.build import build_program
from instrument.patch.factory import factory_folder
from instrument.patch.load import load_patch
from instrument.patch.new import STARTER
from instrument.patch.save import same_program, save_patch

RATE = 48_000
FACTORY = sorted(factory_folder().glob("*.toml"))
KNOBS = range(1, 9)


@pytest.fixture(params=FACTORY, ids=lambda path: path.stem)
def path(request: pytest.FixtureRequest) -> Path:
    assert isinstance(request.param, Path)
    return request.param


def rendered(path: Path, seconds: float, *messages: tuple[int, int, int]) -> npt.NDArray[np.float32]:
    engine = Engine(RATE)
    engine.play(build_program(load_patch(path)))
    events = [midi_event(0, *message) for message in messages]
    return engine.render(int(seconds * RATE), events=events)


def test_there_are_four() -> None:
    assert len(FACTORY) == 4


def test_the_reader_is_told_what_it_is_and_what_it_teaches(path: Path) -> None:
    patch = load_patch(path)
    assert patch.title
    assert "teaches" in patch.about
    assert path.name in (factory_folder() / "README.md").read_text()


def test_eight_knobs_have_labels_and_keys_bend_velocity_and_gate_are_mapped(path: Path) -> None:
    controls = load_patch(path).control
    labels = {
        control.number: control.label for control in controls if control.message == "cc" and control.label
    }
    assert sorted(labels) == list(KNOBS)
    assert len(set(labels.values())) == 8
    assert {"note", "velocity", "gate", "bend"} <= {control.message for control in controls}


@pytest.mark.parametrize("path", [*FACTORY, STARTER], ids=lambda path: path.stem, indirect=False)
def test_at_rest_it_is_large_and_the_guard_has_nothing_to_do(path: Path) -> None:
    out = rendered(path, 30)
    knee = load_patch(path).output.knee
    assert 0.6 <= np.abs(out).max() < knee
    for second in out.reshape(30, RATE, 2):
        assert (np.ptp(second, axis=0) > 0.5).all()
    # Direct current heats coils and moves the picture off the middle.
    assert (np.abs(out.mean(axis=0)) < 0.1).all()


@pytest.mark.parametrize("knob", KNOBS)
def test_a_knob_changes_the_picture_and_leaves_it_whole(path: Path, knob: int) -> None:
    low, high = (rendered(path, 0.5, (0xB0, knob, value)) for value in (0, 127))
    assert not np.array_equal(low, high)
    assert np.isfinite([low, high]).all()
    assert np.abs([low, high]).max() <= 1.0


def test_the_keys_play_in_tune(path: Path) -> None:
    # The spectrum repeats at the pitch of one round of the whole drawing: an octave up, it is that of the octave.
    low, high = (spectrum(rendered(path, 2, (0x90, key, 100))[RATE:]) for key in (45, 57))
    assert low == pytest.approx(110.0, rel=0.02) or low == pytest.approx(220.0, rel=0.02)
    assert high / low == pytest.approx(2.0, rel=0.02)


def spectrum(out: npt.NDArray[np.float32]) -> float:
    """Return the frequency of the strongest line of x, in hertz."""
    x = out[:, 0] * np.hanning(len(out))
    lines = np.abs(np.fft.rfft(x))
    return float(np.argmax(lines[20:]) + 20) * RATE / len(x)


def test_the_gate_and_the_bend_are_heard(path: Path) -> None:
    held = rendered(path, 1, (0x90, 45, 100))
    released = rendered(path, 1, (0x90, 45, 100), (0x80, 45, 0))
    bent = rendered(path, 1, (0x90, 45, 100), (0xE0, 0x7F, 0x7F))
    assert released.std() < held.std()
    assert not np.array_equal(bent, held)


def test_what_was_played_is_saved_and_builds_the_same_program(path: Path, tmp_path: Path) -> None:
    engine = Engine(RATE)
    patch = load_patch(path)
    program = build_program(patch)
    engine.play(program)
    messages = [midi_event(0, 0xB0, knob, 37 + knob) for knob in KNOBS]
    engine.render(RATE, events=[*messages, midi_event(0, 0x90, 50, 90), midi_event(0, 0xE0, 3, 70)])
    engine.set("layer.1.place.move.x", -0.0)
    engine.set("layer.1.place.camera", math.inf)
    engine.set("layer.8.level", 5e-324)
    engine.render(RATE // 10)
    values = engine.values()
    copy = tmp_path / path.name
    save_patch(patch, values, copy)
    program.record["base"] = list(values.values())
    saved = build_program(load_patch(copy))
    assert same_program(saved, program)
    assert saved.record.tobytes() == program.record.tobytes()
    comments = [line for line in path.read_text().splitlines() if line.startswith("#")]
    assert [line for line in copy.read_text().splitlines() if line.startswith("#")] == comments
