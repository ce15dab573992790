"""The show as its performer has it: the real command on a sound server, its window, and hands on keyboard, mouse and knob.

Each test asks the engine and the files on disk, and looks at the window's pixels. All of them play one show.
"""

from __future__ import annotations

import shutil
import time
import tomllib
from typing import TYPE_CHECKING, Any

import numpy as np
import psutil
import pytest
import soundfile

from tests.show.listening import Listener, wait_until
from tests.show.real_show import SIZE, RealShow
from tests.window.display import running_display
from tests.window.x_client import XClient

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = [pytest.mark.device, pytest.mark.xdist_group("JACK")]

PATCH = """schema = 1
title = "Harbour"
ramp = 0
fade = 0

[[layer]]
name = "buoy"
level = 0.5
[layer.source]
kind = "harmonic"
preset = "circle"
[layer.pen]
frequency = 110

[[layer]]
name = "moth"
level = 0.3
[layer.source]
kind = "path"
preset = "star"

[[control]]
message = "note"
parameter = "layer.1.pen.key"
range = [0, 127]

[[snapshot]]
name = "calm"
values = {"layer.1.place.turn.x" = 0}

[[snapshot]]
name = "storm"
values = {"layer.1.place.turn.x" = 0.25}

[morph]
time = 1
"""

OTHER = """schema = 1
title = "Lighthouse"
fade = 0
[[layer]]
[layer.source]
kind = "path"
preset = "polygon"
"""

BUOY = "v -1 -1 0\nv 1 -1 0\nv 0 1 0\nl 1 2 3 1\n"


@pytest.fixture(scope="module")
def knob(jack: str) -> Iterator[Listener]:
    with Listener(jack) as listener:
        yield listener


@pytest.fixture(scope="module")
def running(knob: Listener, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealShow]:
    folder = tmp_path_factory.mktemp("stage")
    patches = []
    for name, text in (("harbour", PATCH), ("lighthouse", OTHER)):
        patches.append(folder / f"{name}.toml")
        patches[-1].write_text(text)
    with running_display(folder, (3840, 2160)) as display:
        # As on the first day: nothing is set.
        shutil.rmtree(folder / "config")
        assert knob.received == []
        with RealShow(display, folder, patches) as show:
            yield show


@pytest.fixture
def show(running: RealShow) -> RealShow:
    """The one show, with its window as at first, turned to its first page."""
    if running.size != SIZE:
        running.resize(*SIZE)
    running.turn_to("Layers")
    return running


def saved(path: Path) -> dict[str, Any]:
    return tomllib.loads(path.read_text())


def save(show: RealShow) -> dict[str, Any]:
    """Save the patch that plays, and return what its file then holds."""
    before = sum("saved" in line for line in show.said)
    show.key("ctrl+s")
    show.wait_for_words("saved", before + 1)
    return saved(show.patches[0])


def send_until(knob: Listener, message: tuple[int, int, int], done: Callable[[], bool]) -> None:
    """Send a message until it has its effect: a period that a busy machine loses takes its messages with it."""

    def sent() -> bool:
        knob.send(message)
        time.sleep(0.02)
        return done()

    wait_until(sent, f"the effect of {message}")


def type_into(show: RealShow, address: str, text: str) -> None:
    """Type a number over a value."""
    show.click(address)
    show.key("Return")
    show.type(text)


def teach(show: RealShow, knob: Listener, address: str, number: int) -> None:
    """Let a value learn a knob, by going there, the key for it, and moving the knob."""
    show.click(address)
    show.key("ctrl+l")
    show.wait_for_words(f"move the control that is to do {address}.")
    knob.send(*[(0xB0, number, value) for value in range(10, 120, 2)])
    show.wait_for_words(f"cc {number} of channel 1 now does {address}")


def choose(show: RealShow, button: str, text: str) -> None:
    """Press a button, and then one of the choices that it offers."""
    show.click(button)
    (choice,) = [cell.key for cell in show.desk.look() if cell.text == text]
    show.wait_for_sight(choice)
    show.click(choice)


def test_arithmetic_is_typed_heard_shown_and_saved(show: RealShow) -> None:
    address = "layer.1.pen.frequency"
    type_into(show, address, "3*440")
    show.wait_for_value(address, 1320.0)
    show.wait_for_sight(address)
    assert (show.desk.cell(address).value, show.desk.cell(address).unit) == ("1320", "Hz")
    assert show.patches[0].read_text() == PATCH
    assert save(show)["layer"][0]["pen"]["frequency"] == 1320
    assert show.patches[0].read_text() == PATCH.replace("frequency = 110", "frequency = 1320")


def test_a_drag_is_heard_ends_on_what_is_shown_and_is_one_step_to_undo(show: RealShow) -> None:
    address = "layer.2.level"
    show.click("layer 2")
    show.drag(address, 0, -37)
    raised = show.wait_for_value(address, lambda value: value > 0.36)
    time.sleep(0.1)
    raised = show.value(address)
    show.wait_for_sight(address)
    assert show.desk.cell(address).value == f"{raised:g}"
    show.key("ctrl+z")
    show.wait_for_value(address, 0.3)
    show.wait_for_sight(address)
    show.key("ctrl+y")
    show.wait_for_value(address, raised)
    assert save(show)["layer"][1]["level"] == raised
    show.click("layer 1")


def test_a_knob_is_learned_moves_what_it_was_taught_and_is_saved(show: RealShow, knob: Listener) -> None:
    address = "layer.1.place.size"
    teach(show, knob, address, 21)
    knob.send(*[(0xB0, 21, value) for value in (*range(118, 1, -4), *range(128))])
    show.wait_for_value(address, lambda value: value > 1.0)
    found = save(show)
    control = found["control"][-1]
    assert (control["message"], control["number"], control["parameter"]) == ("cc", 21, address)
    top = max(control["range"])
    send_until(knob, (0xB0, 21, 127), lambda: show.value(address) == top)
    assert save(show)["layer"][0]["place"]["size"] == top
    show.know(show.patches[0].read_text())
    show.wait_for_sight(address)
    assert show.desk.cell(address).mark == "cc 21"
    show.turn_to("Hands")
    show.wait_for_sight("target 2")


def test_a_note_that_is_held_while_it_is_saved_is_not_saved(show: RealShow, knob: Listener) -> None:
    send_until(knob, (0x90, 57, 100), lambda: show.value("layer.1.pen.key") == 57.0)
    show.wait_for_sight("layer.1.pen.key")
    type_into(show, "layer.1.pen.bend", "0.5")
    show.wait_for_value("layer.1.pen.bend", 0.5)
    assert save(show)["layer"][0]["pen"] == {"frequency": 1320, "bend": 0.5}
    knob.send((0x80, 57, 0))


def test_a_patch_is_recalled_by_hand_and_the_first_again_by_key(show: RealShow) -> None:
    show.turn_to("Patches")
    show.click("patch 1")
    wait_until(lambda: int(show.engine.record["set_at"]) == 1, "the second patch")
    wait_until(lambda: show.is_chosen("patch 1"), "the second patch on the page")
    assert show.value("layer.1.pen.frequency") != 1320.0
    show.key("Prior")
    wait_until(lambda: int(show.engine.record["set_at"]) == 0, "the first patch")
    show.wait_for_value("layer.1.pen.frequency", 1320.0)
    wait_until(lambda: show.is_chosen("patch 0") and not show.is_chosen("patch 1"), "the first on the page")


def test_a_snapshot_is_recalled_by_its_key_and_a_morph_takes_its_time(show: RealShow) -> None:
    address = "layer.1.place.turn.x"
    show.key("x")
    show.wait_for_value(address, 0.25)
    show.wait_for_sight(address)
    show.turn_to("Patches")
    show.click("morph way")
    show.key("z")
    # A beat lasts half a second.
    show.wait_for_value(address, lambda value: 0.0 < value < 0.25)
    show.wait_for_value(address, 0.0)
    show.click("morph way")
    show.turn_to("Layers")
    show.wait_for_sight(address)


def test_what_is_recorded_is_a_take_of_the_sound(show: RealShow) -> None:
    show.click("do record")
    show.desk.stage.update({"recording": {"on": True}})
    show.wait_for_sight("do record")
    show.wait_for_words("recording into")
    began = show.engine.time
    wait_until(lambda: show.engine.time > began + 24_000, "half a second")
    show.key("ctrl+t")
    show.wait_for_words("recorded")
    show.desk.stage.update({"recording": {"on": False}})
    show.wait_for_sight("do record")
    (take,) = show.takes.rglob("take.toml")
    sound, rate = soundfile.read(take.with_name("sound.wav"))
    assert rate == 48_000
    assert len(sound) > 24_000
    assert np.abs(sound).max() > 0.5


def test_a_blackout_is_dark_and_light_comes_back(show: RealShow) -> None:
    wait_until(lambda: int(show.light()[:, :, 1].max()) > 100, "light")
    show.key("F10")
    wait_until(lambda: int(show.light().max()) < 32, "darkness")
    end = int(show.engine.record["ring_at"])
    last = [end - 1 - k & int(show.engine.record["ring_frames"]) - 1 for k in range(480)]
    assert np.abs(show.engine.record["ring"][last]).max() == 0.0
    show.wait_for_sight("do blackout")
    show.key("F10")
    wait_until(lambda: int(show.light()[:, :, 1].max()) > 100, "light again")


@pytest.mark.parametrize("size", [(1024, 600), (3840, 2160)])
def test_the_desk_is_read_and_worked_at_any_size(show: RealShow, size: tuple[int, int]) -> None:
    address = "layer.1.pen.length"
    show.resize(*size)
    show.wait_for_sight("page Layers")
    type_into(show, address, f"{size[1]}/4320")
    show.wait_for_value(address, size[1] / 4320)
    show.wait_for_sight(address)
    assert save(show)["layer"][0]["pen"]["length"] == size[1] / 4320


def test_the_whole_screen_is_filled_and_left_again(show: RealShow) -> None:
    for size in ((3840, 2160), SIZE):
        show.key("F11")
        wait_until(lambda size=size: show.geometry() == size, f"a window of {size}")  # type: ignore[misc]
        show.resize(*size)
        show.wait_for_sight("page Layers")
    assert show.engine.record["counters"]["refused_events"] == 0


def test_a_drawing_that_is_dropped_is_drawn(show: RealShow) -> None:
    drawing = show.patches[0].with_name("pier.obj")
    drawing.write_text(BUOY)
    with XClient(show.display.environment["DISPLAY"]) as other:
        assert other.drop(int(show.number), [drawing])
    before = show.patches[0].read_text()
    show.know(before.replace('kind = "harmonic"\npreset = "circle"', 'kind = "path"\ndrawing = "pier.obj"'))
    show.wait_for_sight("layer 1")
    assert show.desk.cell("layer 1").value == "pier.obj"
    slot = int(show.engine.record["instances"][int(show.engine.record["active"])]["slot"])
    assert int(show.engine.record["bank"][slot]["layers"]["terms"][0].sum()) == 0
    assert save(show)["layer"][0]["source"] == {"kind": "path", "drawing": "pier.obj"}
    show.know(show.patches[0].read_text())


def test_a_patch_is_saved_under_another_name_and_gone_back_to(show: RealShow) -> None:
    type_into(show, "layer.1.pen.start", "1/8")
    show.wait_for_value("layer.1.pen.start", 0.125)
    show.key("ctrl+r")
    show.wait_for_value("layer.1.pen.start", 0.0)
    show.key("ctrl+shift+s")
    show.turn_to_typing("Patches")
    show.type("dusk")
    dusk = show.patches[0].with_name("dusk.toml")
    show.wait_for_words(f"saved {dusk}")
    assert dusk.read_text() == show.patches[0].read_text()


def test_a_newcomer_makes_a_patch_of_ones_own_in_the_window(show: RealShow, knob: Listener) -> None:
    """The steps are those of the README."""
    takes = len([*show.takes.rglob("take.toml")])
    show.key("Next")
    wait_until(lambda: int(show.engine.record["set_at"]) == 1, "the second patch")
    show.know(OTHER)
    show.wait_for_sight("layer 1")
    choose(show, "add layer", "star")
    text = OTHER + '[[layer]]\n[layer.source]\nkind = "path"\npreset = "star"\n'
    show.know(text)
    show.desk.context.layer = 2
    show.wait_for_sight("layer 2")
    type_into(show, "layer.2.place.size", "1/2")
    show.wait_for_value("layer.2.place.size", 0.5)
    show.turn_to("Motion")
    choose(show, "add modulator", "lfo")
    text += '[[modulator]]\nname = "lfo 1"\n'
    show.know(text)
    show.desk.context.layer = 2
    show.desk.desk.show("Motion")
    show.wait_for_sight("remove modulator")
    show.click("add link")
    show.wait_for_sight("layer.2.place.spin.z")
    show.click("layer.2.place.spin.z")
    show.know(text + '[[link]]\nmodulator = "lfo 1"\nparameter = "layer.2.place.spin.z"\ndepth = 0.1\n')
    show.desk.context.layer = 2
    show.desk.desk.show("Motion")
    show.wait_for_sight("remove link 1")
    show.turn_to("Layers")
    teach(show, knob, "layer.2.place.size", 22)
    show.key("ctrl+t")
    show.wait_for_words("recording into", 2)
    show.key("ctrl+t")
    show.wait_for_words("recorded", 2)
    assert len([*show.takes.rglob("take.toml")]) == takes + 1
    show.key("ctrl+shift+s")
    show.turn_to_typing("Patches")
    show.type("mine")
    mine = show.patches[1].with_name("mine.toml")
    show.wait_for_words(f"saved {mine}")
    found = saved(mine)
    assert [layer["source"]["preset"] for layer in found["layer"]] == ["polygon", "star"]
    assert found["link"][0]["parameter"] == "layer.2.place.spin.z"
    assert found["control"][0]["parameter"] == "layer.2.place.size"
    show.key("Prior")
    wait_until(lambda: int(show.engine.record["set_at"]) == 0, "the first patch")
    show.know(show.patches[0].read_text())
    show.turn_to("Layers")
    show.click("layer 1")


def test_a_value_is_reached_and_typed_without_a_mouse(show: RealShow) -> None:
    address = "layer.1.place.move.x"
    keys = [cell.key for cell in show.desk.desk.everything if cell.interactive]
    show.key(*["Tab"] * (keys.index(address) - keys.index("page Layers")))
    show.key("Return")
    show.type("-1/4")
    show.wait_for_value(address, -0.25)
    show.key("ctrl+z")
    show.wait_for_value(address, 0.0)
    show.wait_for_sight(address)
    beside = "layer.1.place.move.y"
    show.key("Tab", "Right")
    show.wait_for_value(beside, 0.01)
    show.key("BackSpace")
    show.wait_for_value(beside, 0.0)
    show.wait_for_sight(beside)


def test_a_window_that_is_killed_comes_back_and_the_sound_never_stopped(
    show: RealShow,
) -> None:
    callbacks = int(show.engine.record["counters"]["callbacks"])
    first = show.window_process()
    first.kill()
    show.wait_for_words("opened it again")
    wait_until(lambda: show.window_process().pid != first.pid, "another window")
    show.meet()
    show.turn_to("Layers")
    assert int(show.engine.record["counters"]["callbacks"]) > callbacks
    assert show.value("layer.1.pen.frequency") == 1320.0


def test_the_end_is_asked_about_while_a_take_is_recorded_and_then_costs_nothing(show: RealShow) -> None:
    """The last one, for it ends the show."""
    takes = len([*show.takes.rglob("take.toml")])
    show.key("ctrl+t")
    show.desk.stage.update({"recording": {"on": True}})
    show.wait_for_sight("do record")
    with XClient(show.display.environment["DISPLAY"]) as other:
        for _ in range(2):
            other.ask_to_close(int(show.number))
    answers = [
        {"label": "Go on playing", "do": {"do": "stay"}},
        {"label": "End", "do": {"do": "quit", "sure": True}},
    ]
    show.desk.stage.update({"question": {"text": "The take would be cut off.", "answers": answers}})
    show.wait_for_sight("answer Go on playing")
    show.click("answer Go on playing")
    wait_until(lambda: not show.is_seen("answer Go on playing"), "the question to go")
    assert show.process.poll() is None
    show.key("ctrl+q")
    show.wait_for_sight("answer End")
    show.click("answer End")
    assert show.process.wait(20) == 0
    assert len([*show.takes.rglob("take.toml")]) == takes + 1
    assert not psutil.pid_exists(show.process.pid)
