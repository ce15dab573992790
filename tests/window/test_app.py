"""One frame of the window after another, on a video driver without a screen: what events lead to."""

import io
import json
import os
from collections.abc import Iterator
from typing import Any

import numpy as np
import pygame
import pytest

from instrument.engine.memory.allocation import Memory
from instrument.window.app import Window
from instrument.window.keys import ACTIONS, read_key
from instrument.window.settings import Settings
from instrument.window.stage_and_desk import DeskView, StageView
from instrument.window.stage_messages import Channel
from tests.window.memory import RATE, shared_memory, write_output
from tests.window.sitting import STATE


class Bench:
    """A window, and what the stage hears of it."""

    def __init__(self, memory: Memory) -> None:
        reading, writing = os.pipe()
        self.stage = os.fdopen(writing, "w")
        self.incoming = os.fdopen(reading)
        self.heard = io.StringIO()
        self.channel = Channel(self.incoming, self.heard)
        self.memory = memory
        self.window = Window(memory.record, RATE, self.channel, settings=Settings(), size=(1024, 600))
        self.now = 10.0

    def frame(self, *events: pygame.event.Event) -> list[dict[str, Any]]:
        """Let one frame pass, in which these events come, and return what the stage hears."""
        before = len(self.heard.getvalue())
        for event in events:
            pygame.event.post(event)
        self.now += 1 / 60
        self.window.frame(self.now, 1 / 60)
        lines = self.heard.getvalue()[before:].splitlines()
        return [said for said in map(json.loads, lines) if said["do"] != "alive"]

    def say(self, **message: Any) -> None:
        self.stage.write(json.dumps(message) + "\n")
        self.stage.flush()
        for _ in range(200):
            self.frame()
            pygame.time.wait(5)
            if self.window.stage.all.items() >= message.items():
                return
        raise AssertionError("the window does not hear the stage")


def key(code: int, place: int = 0, held: int = 0) -> pygame.event.Event:
    return pygame.event.Event(pygame.KEYDOWN, key=code, scancode=place, mod=held, unicode="")


@pytest.fixture(scope="module")
def _no_screen() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("SDL_VIDEODRIVER", "dummy")
        pygame.display.init()
        pygame.font.init()
        yield
        pygame.display.quit()
        pygame.font.quit()


@pytest.fixture
def bench(_no_screen: None) -> Iterator[Bench]:
    with shared_memory() as memory:
        made = Bench(memory)
        made.frame()
        yield made
        made.stage.close()
        while not made.channel.ended:
            made.channel.messages()
            pygame.time.wait(2)
        made.incoming.close()
        del made.window


def test_a_file_dropped_onto_the_window_goes_to_the_stage(bench: Bench) -> None:
    dropped = pygame.event.Event(pygame.DROPFILE, file="/quay/heron.svg")
    assert bench.frame(dropped) == [{"do": "drop", "path": "/quay/heron.svg"}]


def test_closing_by_accident_only_asks(bench: Bench) -> None:
    closed = pygame.event.Event(pygame.QUIT)
    assert bench.frame(closed) == []
    assert bench.frame(closed) == [{"do": "quit"}]


def test_one_key_switches_between_desk_and_stage(bench: Bench) -> None:
    assert isinstance(bench.window.view, DeskView)
    bench.frame(key(pygame.K_F12))
    assert isinstance(bench.window.view, StageView)
    bench.frame(key(pygame.K_F12))
    assert isinstance(bench.window.view, DeskView)


def test_the_picture_alone_is_wider_than_beside_the_pages(bench: Bench) -> None:
    beside = bench.window.view.picture.area.width
    bench.frame(key(pygame.K_F12))
    assert bench.window.view.picture.area.width > beside


def test_what_is_said_for_a_while_is_seen_beside_the_picture_alone_too(bench: Bench) -> None:
    bench.frame(key(pygame.K_F12))
    bench.window._desk.tell("There is no second display.")
    assert bench.window._figures().trouble == "There is no second display."


def test_what_the_stage_says_is_seen(bench: Bench) -> None:
    def pixels() -> bytes:
        return bytes(pygame.image.tobytes(pygame.display.get_surface(), "RGB"))

    bench.frame()
    before = pixels()
    bench.say(**STATE)
    assert pixels() != before


def test_histories_go_on_while_something_changes_in_every_frame(bench: Bench) -> None:
    bench.say(**STATE)
    followed = []
    bench.window._desk.update = lambda: followed.append(bench.now)  # type: ignore[method-assign]
    for k in range(30):
        bench.frame(pygame.event.Event(pygame.MOUSEWHEEL, x=0, y=k % 2 * 2 - 1))
    assert 6 <= len(followed) <= 8


def test_a_late_frame_shows_all_the_light_that_its_time_has_left(bench: Bench) -> None:
    turns = np.arange(round(0.2 * RATE)) * (110 / RATE)
    circle = np.stack((np.sin(2 * np.pi * turns), np.cos(2 * np.pi * turns)), axis=1)

    def light_after(frames: int) -> float:
        bench.window._lay_out()
        for piece in np.split(0.5 * circle, frames):
            write_output(bench.memory.record, piece)
            bench.now += 0.2 / frames
            bench.window.frame(bench.now, 0.2 / frames)
        return float(bench.window.view.picture._light.energy.sum())

    on_time = light_after(12)
    assert on_time > 0
    assert light_after(1) == pytest.approx(on_time, rel=1e-3)


def test_texts_give_way_to_the_picture_in_late_frames(bench: Bench) -> None:
    drawn = []

    def draw() -> list[pygame.Rect]:
        drawn.append(bench.now)
        return []

    bench.window.view.draw_texts = draw  # type: ignore[method-assign]

    def texts_in(frames: int, late: float) -> int:
        drawn.clear()
        for _ in range(frames):
            bench.now += 1 / 60
            bench.window.frame(bench.now, late / 60)
        return len(drawn)

    assert texts_in(60, 1.0) == pytest.approx(15, abs=1)
    assert texts_in(60, 2.0) == pytest.approx(4, abs=1)


def test_notes_are_played_at_the_desk_and_not_while_typing(bench: Bench) -> None:
    bench.say(**STATE)
    bench.frame(key(pygame.K_a, pygame.KSCAN_A))
    assert bench.window.notes.held == (48,)
    bench.frame(key(pygame.K_f, pygame.KSCAN_F, pygame.KMOD_LCTRL))
    bench.frame()
    bench.frame(key(pygame.K_s, pygame.KSCAN_S))
    assert bench.window.notes.held == (48,)


@pytest.mark.parametrize("name", ["dim", "text", "graticule", "turn", "mirror", "help", "hands", "second"])
def test_every_switch_of_the_window_bears_being_pressed(bench: Bench, name: str) -> None:
    words = next(action.key for action in ACTIONS if action.name == name)
    pressed = read_key(words)
    bits = {"Ctrl": pygame.KMOD_LCTRL, "Shift": pygame.KMOD_LSHIFT}
    held = sum(bits[word] for word in pressed.held)
    assert bench.frame(key(pressed.code, pressed.scancode, held)) == []
    bench.frame()
