"""The window on a real display server: what is heard is seen, what is pressed is played, and it ends when it should."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import numpy.typing as npt
import psutil
import pygame
import pytest

from instrument.engine.memory.allocation import Memory
from instrument.engine.memory.layout import RING_WINDOW
from instrument.window.start import main
from tests.window.display import Display, Running, running_display, running_window, wait_for
from tests.window.memory import RATE, shared_memory, take_messages, write_log, write_output
from tests.window.x_client import XClient

pytestmark = [pytest.mark.device, pytest.mark.xdist_group("screen")]

WIDTH, HEIGHT = 1280, 800
BLOCK = 480


@pytest.fixture(scope="module")
def display(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Display]:
    with running_display(tmp_path_factory.mktemp("display")) as running:
        yield running


@contextmanager
def fresh_memory() -> Iterator[Memory]:
    with shared_memory() as shared:
        shared.record["counters"]["largest_block"] = BLOCK
        yield shared


@pytest.fixture(scope="module")
def memory() -> Iterator[Memory]:
    with fresh_memory() as shared:
        yield shared


@pytest.fixture(scope="module")
def long_lived(display: Display, memory: Memory) -> Iterator[Running]:
    with running_window(display, memory.name) as running:
        yield running


@pytest.fixture
def window(long_lived: Running, memory: Memory) -> Running:
    """One window for many tests, each of which finds it as after its start, dark."""
    long_lived.resize(WIDTH, HEIGHT)
    long_lived.focus()
    long_lived.say(title="", trouble="")
    take_messages(memory.record)
    wait_for(lambda: lit(long_lived, WIDTH, HEIGHT)[2] == 0, "darkness")
    assert long_lived.silent()
    return long_lived


@pytest.fixture
def own_memory() -> Iterator[Memory]:
    with fresh_memory() as shared:
        yield shared


@pytest.fixture
def own_window(display: Display, long_lived: Running, own_memory: Memory) -> Iterator[Running]:
    """A window of the test's own, to be ended; the other one is moved out of its way."""
    display.do("windowmove", long_lived.number, str(WIDTH), "0")
    with running_window(display, own_memory.name) as running:
        yield running


@contextmanager
def sounding(memory: Memory, cycle: npt.NDArray[np.float64]) -> Iterator[None]:
    """Play one cycle over and over into the output ring, in real time."""
    stop = threading.Event()

    def play() -> None:
        began, played = time.monotonic(), 0
        while not stop.wait(0.004):
            due = int((time.monotonic() - began) * RATE)
            while played + BLOCK <= due:
                write_output(memory.record, cycle[np.arange(played, played + BLOCK) % len(cycle)])
                played += BLOCK

    player = threading.Thread(target=play)
    player.start()
    try:
        yield
    finally:
        stop.set()
        player.join()


def circle(radius: float, middle: tuple[float, float] = (0.0, 0.0)) -> npt.NDArray[np.float64]:
    turn = np.arange(480) / 480 * 2 * np.pi
    return np.column_stack((middle[0] + radius * np.cos(turn), middle[1] + radius * np.sin(turn)))


def green(picture: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
    return picture[:, :, 1].astype(np.int64)


def lit(window: Running, width: int, height: int, least: int = 60) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of the bright pixels above the line of text."""
    rows, columns = np.nonzero(green(window.picture(width, height))[: height * 3 // 4] > least)
    if not len(rows):
        return (0, 0, 0, 0)
    return columns.min(), rows.min(), columns.max(), rows.max()


class TestPicture:
    def test_the_window_shows_what_is_in_the_ring(self, window: Running, memory: Memory) -> None:
        # A small circle, left of the middle and above it.
        with sounding(memory, circle(0.2, (-0.4, 0.5))):
            wait_for(lambda: lit(window, WIDTH, HEIGHT)[2], "light in the window")
            time.sleep(0.5)
            # The line itself, without its halo.
            left, top, right, bottom = lit(window, WIDTH, HEIGHT, 180)
        # The picture is as high as the window without the line of text, and in its middle.
        line = 4
        unit = (bottom - top - line) / 0.4
        assert 0.9 * HEIGHT < unit * 2 * 1.06 <= HEIGHT + 12
        assert (right - left) == pytest.approx(bottom - top, abs=4)
        assert (left + right) / 2 == pytest.approx(WIDTH / 2 - 0.4 * unit, abs=6)
        assert top < HEIGHT / 4

    def test_the_light_fades_when_the_sound_ends(self, window: Running, memory: Memory) -> None:
        with sounding(memory, circle(0.5)):
            wait_for(lambda: lit(window, WIDTH, HEIGHT)[2], "light in the window")
        wait_for(lambda: lit(window, WIDTH, HEIGHT)[2] == 0, "darkness", 5)

    @pytest.mark.parametrize(("width", "height"), [(320, 320), (600, 1024), (2160, 2160)])
    def test_every_size_of_window_holds_the_whole_picture(
        self, window: Running, memory: Memory, width: int, height: int
    ) -> None:
        def whole() -> bool:
            # The upper half of the window holds more than half of the picture, and none of the text.
            rows, columns = np.nonzero(green(window.picture(width, height))[: height // 2] > 60)
            if not len(rows):
                return False
            spread, middle = columns.max() - columns.min(), (columns.min() + columns.max()) / 2
            return bool(0.6 * min(width, height) < spread < width and abs(middle - width / 2) <= 4)

        window.resize(width, height)
        with sounding(memory, circle(0.9)):
            wait_for(whole, f"a circle in a window of {width} x {height}", 20)
        assert window.process.poll() is None

    def test_the_line_of_text_and_trouble_are_seen(self, window: Running) -> None:
        def text_rows() -> int:
            return int((green(window.picture(WIDTH, HEIGHT)).max(axis=1) > 120).sum())

        def steady_rows() -> int:
            # At first the screen may still show what an earlier window left on it.
            rows = text_rows()
            time.sleep(0.5)
            return rows if rows == text_rows() else 0

        before = wait_for(steady_rows, "the line of text alone")
        window.say(title="Lighthouse", trouble="The controller is gone; plug it in again.")
        wait_for(lambda: text_rows() > before + 5, "the trouble line")
        window.say(trouble="")
        wait_for(lambda: text_rows() <= before + 2, "the trouble line taken away")

    def test_the_help_page_comes_and_goes(self, window: Running) -> None:
        def middle() -> int:
            return int((green(window.picture(WIDTH, HEIGHT))[200:600] > 120).sum())

        assert middle() == 0
        window.key("F1")
        wait_for(lambda: middle() > 2000, "the help page", 10)
        window.key("Escape")
        wait_for(lambda: middle() == 0, "the help page gone", 10)
        assert window.process.poll() is None

    def test_midi_activity_changes_the_line_of_text(self, window: Running, memory: Memory) -> None:
        def text() -> bytes:
            return window.picture(WIDTH, HEIGHT)[-60:].tobytes()

        def settled() -> bool:
            earlier = text()
            time.sleep(0.5)
            return text() == earlier

        wait_for(settled, "levels that have fallen to silence", 20)
        before = text()
        write_log(memory.record, (0xB0, 21, 64))
        wait_for(lambda: text() != before, "the message", 5)
        wait_for(lambda: text() == before, "the message gone", 5)

    def test_the_whole_screen_and_back(self, window: Running) -> None:
        def size() -> list[str]:
            return window.display.do("getwindowgeometry", "--shell", window.number).split()

        window.key("F11")
        wait_for(lambda: "WIDTH=2200" in size(), "the whole screen", 10)
        window.focus()
        window.key("F11")
        wait_for(lambda: f"WIDTH={WIDTH}" in size(), "the window", 10)
        assert window.process.poll() is None


class TestKeys:
    def test_a_key_plays_a_note_and_its_release_ends_it(self, window: Running, memory: Memory) -> None:
        window.display.do("keydown", "d")
        assert wait_for(lambda: take_messages(memory.record), "a note", 10) == [(0x90, 52, 100)]
        window.display.do("keyup", "d")
        assert wait_for(lambda: take_messages(memory.record), "its end", 10) == [(0x80, 52, 64)]

    def test_losing_the_keyboard_ends_every_note(self, window: Running, memory: Memory) -> None:
        window.display.do("keydown", "a")
        window.display.do("keydown", "t")
        wait_for(lambda: len(memory.record["rings"][RING_WINDOW]["events"]) and _waiting(memory) == 2, "notes", 10)
        take_messages(memory.record)
        take_keyboard_away(window.display)
        wait_for(lambda: _waiting(memory) == 2, "their ends", 10)
        assert take_messages(memory.record) == [(0x80, 48, 64), (0x80, 54, 64)]
        window.display.do("keyup", "a")
        window.display.do("keyup", "t")

    def test_the_window_of_a_second_display_passes_on_what_its_keyboard_does(
        self, display: Display, long_lived: Running, own_memory: Memory
    ) -> None:
        with running_window(display, own_memory.name, "--picture", "0") as second:
            heard: list[dict[str, object]] = []

            def kinds() -> set[object]:
                while not second.silent():
                    heard.append(second.command())
                return {said["kind"] for said in heard}

            def pressed() -> bool:
                # It is seen before it has the whole screen and the keyboard.
                second.focus()
                second.key("a")
                return kinds() >= {pygame.KEYDOWN, pygame.TEXTINPUT, pygame.KEYUP}

            wait_for(pressed, "a key and its letter", 20)
            assert {said.get("text", "a") for said in heard} == {"a"}
            heard.clear()

            def lost() -> bool:
                second.focus()
                long_lived.focus()
                return pygame.WINDOWFOCUSLOST in kinds()

            wait_for(lost, "the loss of the keyboard", 20)

    def test_ending_the_performance_ends_every_note(self, own_window: Running, own_memory: Memory) -> None:
        own_window.display.do("keydown", "a")
        wait_for(lambda: _waiting(own_memory) == 1, "a note", 10)
        own_window.hang_up()
        own_window.process.wait(10)
        assert take_messages(own_memory.record)[-1] == (0x80, 48, 64)
        own_window.display.do("keyup", "a")

    @pytest.mark.parametrize(
        ("key", "command"),
        [
            ("Next", "next"),
            ("Prior", "previous"),
            ("space", "panic"),
            ("ctrl+s", "save"),
            ("F5", "reload"),
        ],
    )
    def test_keys_send_commands_and_play_nothing(self, window: Running, memory: Memory, key: str, command: str) -> None:
        window.key(key)
        assert window.command() == {"do": command}
        assert take_messages(memory.record) == []


class TestEnd:
    def test_the_quit_key_tells_the_stage_and_closes(self, own_window: Running) -> None:
        own_window.key("ctrl+q")
        assert own_window.command() == {"do": "quit"}
        # The stage may have a question; its end is the window's.
        own_window.hang_up()
        assert own_window.process.wait(10) == 0

    def test_closing_the_window_asks_first(self, own_window: Running) -> None:
        ask_to_close(own_window)
        time.sleep(0.5)
        assert own_window.process.poll() is None
        assert own_window.silent()
        ask_to_close(own_window)
        assert own_window.command() == {"do": "quit"}

    def test_the_end_of_the_stage_closes_the_window(self, own_window: Running) -> None:
        own_window.hang_up()
        assert own_window.process.wait(10) == 0
        assert own_window.silent()

    def test_an_interrupt_in_the_terminal_is_the_stages_affair(self, own_window: Running) -> None:
        own_window.process.send_signal(signal.SIGINT)
        time.sleep(0.3)
        assert own_window.process.poll() is None

    def test_a_killed_window_leaves_the_memory_to_the_next_one(
        self, display: Display, own_window: Running, own_memory: Memory
    ) -> None:
        own_window.process.kill()
        own_window.process.wait(10)
        with running_window(display, own_memory.name) as again, sounding(own_memory, circle(0.5)):
            wait_for(lambda: lit(again, WIDTH, HEIGHT)[2], "light in the second window")


@pytest.mark.realtime
class TestCost:
    def test_a_still_window_leaves_the_processor_alone(self, window: Running, memory: Memory) -> None:
        # On a machine that has no time left the moving picture gets less of it too: one comparison in a lull suffices.
        for _ in range(3):
            still, moving = (self.spent(window, memory, cycle) for cycle in (np.zeros((480, 2)), circle(0.9)))
            if still < 0.75 * moving:
                return
        pytest.fail(f"a still window took {still:.2f} s of the processor's time, a moving one {moving:.2f} s")

    @staticmethod
    def spent(window: Running, memory: Memory, cycle: npt.NDArray[np.float64]) -> float:
        """Seconds of the processor's that three of the window take."""
        with sounding(memory, cycle):
            wait_for(lambda: lit(window, WIDTH, HEIGHT)[2], "light in the window")
            process = psutil.Process(window.process.pid)
            before = process.cpu_times()
            time.sleep(3)
            after = process.cpu_times()
        return float(after.user + after.system - before.user - before.system)


class TestFailure:
    def start(self, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "instrument.window", *arguments],
            env={**os.environ, **environment},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )

    def test_without_a_display_it_says_so_in_one_sentence(self, memory: Memory) -> None:
        # A display that is not there, so that no console of the machine is taken instead.
        done = self.start(memory.name, str(RATE), DISPLAY=":9999", SDL_VIDEODRIVER="x11")
        assert done.returncode == 1
        assert done.stderr.startswith("No window can be opened on this display")
        assert done.stderr.count("\n") == 1
        assert done.stdout == ""

    def test_without_a_sound_it_says_so_in_one_sentence(self) -> None:
        done = self.start("beamhand-not-there", str(RATE))
        assert done.returncode == 1
        assert done.stderr == "The window finds no sound called beamhand-not-there: its stage has ended.\n"

    @pytest.mark.parametrize("arguments", [(), ("name",), ("name", "fast"), ("name", "nan"), ("name", "0")])
    def test_wrong_usage_has_status_2(self, arguments: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
        assert main(list(arguments)) == 2
        assert capsys.readouterr().err.startswith("Usage: ")


def _waiting(memory: Memory) -> int:
    ring = memory.record["rings"][RING_WINDOW]
    return int(ring["tail"]) - int(ring["head"])


def take_keyboard_away(display: Display) -> None:
    with XClient(display.environment["DISPLAY"]) as other:
        other.take_keyboard_away()


def ask_to_close(window: Running) -> None:
    with XClient(window.display.environment["DISPLAY"]) as other:
        other.ask_to_close(int(window.number))
