"""The factory patches explain themselves, fill the screen at rest, and answer to every knob, key and button."""

import math
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from instrument.engine.engine import Engine, midi_event
from instrument.engine.program import Program
from instrument.patch.build import build_program
from instrument.patch.editing.save import same_program, save_patch
from instrument.patch.factory import factory_folder, factory_set
from instrument.patch.patch_file import STARTER, load_patch
from instrument.patch.set_list_file import patches_named

RATE = 48_000
FACTORY = patches_named(factory_set())
KNOBS = range(1, 9)


@pytest.fixture(params=FACTORY, ids=lambda path: path.stem)
def path(request: pytest.FixtureRequest) -> Path:
    assert isinstance(request.param, Path)
    return request.param


def rendered(program: Program, seconds: float, *messages: tuple[int, int, int]) -> npt.NDArray[np.float32]:
    engine = Engine(RATE)
    engine.play(program)
    events = [midi_event(0, *message) for message in messages]
    return engine.render(int(seconds * RATE), events=events)


def test_the_set_holds_every_patch_of_the_folder_once() -> None:
    assert len(FACTORY) >= 20
    assert sorted(FACTORY) == sorted(factory_folder().glob("*.toml"))


def test_the_reader_is_told_what_it_is_and_what_it_teaches(path: Path) -> None:
    patch = load_patch(path)
    assert patch.title
    assert "teaches" in patch.about
    assert f"`{path.name}`" in (factory_folder() / "README.md").read_text()
    assert len(patch.snapshot) >= 2
    assert len({snapshot.name for snapshot in patch.snapshot}) == len(patch.snapshot)


def test_eight_knobs_have_labels_and_keys_bend_velocity_and_gate_are_mapped(path: Path) -> None:
    controls = load_patch(path).control
    labels = {
        control.number: control.label
        for control in controls
        if control.message == "cc" and control.label and control.number in KNOBS
    }
    assert sorted(labels) == list(KNOBS)
    assert len(set(labels.values())) == 8
    assert labels[7] == "level"
    assert {"note", "velocity", "gate", "bend", "program"} <= {control.message for control in controls}
    assert {"snapshot", "morph", "patch"} <= {control.action for control in controls}


@pytest.mark.parametrize("path", [*FACTORY, STARTER], ids=lambda path: path.stem, indirect=False)
def test_at_rest_it_is_seen_and_the_guard_has_nothing_to_do(path: Path) -> None:
    patch = load_patch(path)
    out = rendered(build_program(patch), 12)
    assert 0.4 <= np.abs(out).max() < patch.output.knee
    for second in out.reshape(12, RATE, 2):
        assert (np.ptp(second, axis=0) > 0.3).all()
    # Direct current heats coils and moves the picture off the middle.
    assert (np.abs(out.mean(axis=0)) < 0.1).all()


def test_every_knob_and_every_button_changes_the_picture_and_leaves_it_whole(path: Path) -> None:
    patch = load_patch(path)
    program = build_program(patch)
    engine = Engine(RATE)

    def after(*messages: tuple[int, int, int]) -> npt.NDArray[np.float32]:
        engine.play(program)
        held = ((0x90, 45, 100), *messages)
        out = engine.render(RATE // 4, events=[midi_event(engine.time, *message) for message in held])
        return out[RATE // 8 :]  # behind the cross-fade

    def turned(knob: int, values: Iterable[int]) -> npt.NDArray[np.float32]:
        # From where all others stand in the middle, and all the way, for those that wait until they meet their parameter.
        others = [(0xB0, other, 64) for other in KNOBS if other != knob]
        return after(*others, *((0xB0, knob, value) for value in values))

    up, down = range(0, 128, 3), range(127, -1, -3)
    knobs = [(turned(knob, down), turned(knob, up)) for knob in KNOBS]
    unheard = [knob for knob, (low, high) in zip(KNOBS, knobs, strict=True) if np.array_equal(low, high)]
    # A hand's movement is heard while it is recorded, and the live input where there is one.
    assert unheard == {"moth": [1], "visitor": [4, 8]}.get(path.stem, [])
    begins, *others = [after((0xB0, 102 + k, 127)) for k in range(len(patch.snapshot))]
    assert not any(np.array_equal(begins, other) for other in others)
    everything = np.array([*sum(knobs, ()), *others])
    assert np.isfinite(everything).all()
    assert np.abs(everything).max() <= 1.0


def test_the_keys_play_in_tune(path: Path) -> None:
    # The spectrum repeats at the pitch of one round of the whole drawing: an octave up, it is that of the octave.
    program = build_program(load_patch(path))
    low, high = (common_tone(rendered(program, 2, (0x90, key, 100))[RATE:]) for key in (45, 57))
    assert high == 2 * low


def common_tone(out: npt.NDArray[np.float32]) -> float:
    """Return the highest of the octaves of A whose multiples hold nearly all of the energy, in hertz."""
    window = np.hanning(len(out))[:, None]
    energy = np.square(np.abs(np.fft.rfft(out * window, axis=0))).sum(axis=1)
    energy[:20] = 0
    at = np.arange(len(energy)) * RATE / len(out)
    found = {}
    for tone in (27.5, 55.0, 110.0, 220.0, 440.0):
        near = np.abs(at - np.rint(at / tone) * tone) <= 4 + 0.004 * at
        found[tone] = energy[near & (at > tone / 2)].sum() / energy.sum()
    return max(tone for tone, share in found.items() if share >= 0.9 * max(found.values()))


def test_the_gate_and_the_bend_are_heard(path: Path) -> None:
    program = build_program(load_patch(path))
    held = rendered(program, 1, (0x90, 45, 100))
    released = rendered(program, 1, (0x90, 45, 100), (0x80, 45, 0))
    bent = rendered(program, 1, (0x90, 45, 100), (0xE0, 0x7F, 0x7F))
    assert released.std() < held.std()
    assert not np.array_equal(bent, held)


@pytest.mark.parametrize("name", ["buoy", "crane", "festival"])
def test_what_was_played_is_saved_and_builds_the_same_program(name: str, tmp_path: Path) -> None:
    path = factory_folder() / f"{name}.toml"
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
    (tmp_path / "drawings").symlink_to(factory_folder() / "drawings")
    copy = tmp_path / path.name
    save_patch(patch, values, copy)
    program.record["base"] = list(values.values())
    saved = build_program(load_patch(copy))
    assert same_program(saved, program)
    assert saved.record.tobytes() == program.record.tobytes()
    comments = [line for line in path.read_text().splitlines() if line.startswith("#")]
    assert [line for line in copy.read_text().splitlines() if line.startswith("#")] == comments
