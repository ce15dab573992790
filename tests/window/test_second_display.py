"""Messages between the second display's window and the desk."""

import json
import subprocess
import sys
import time
from pathlib import Path

import pygame
import pytest

from instrument.window import second_display as second
from instrument.window.second_display import SecondDisplay, forwarded


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (pygame.KEYDOWN, {"key": pygame.K_a, "scancode": 4, "mod": 0, "unicode": "a"}),
        (pygame.KEYUP, {"key": pygame.K_a, "scancode": 4, "mod": 0}),
        (pygame.TEXTINPUT, {"text": "ü"}),
        (pygame.WINDOWFOCUSLOST, {}),
    ],
)
def test_keys_letters_and_the_loss_of_the_keyboard_are_passed_on(
    kind: int, words: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    message = forwarded(pygame.event.Event(kind, words))
    assert message is not None
    line = json.dumps({"do": "key", **message}).encode()
    display = SecondDisplay("none", 48_000.0)
    monkeypatch.setattr(display._child, "lines", lambda: [b"[]\n", b"junk\n", line])
    (event,) = display.events()
    assert event.type == kind
    assert event.dict == words


def test_the_mouse_is_not_passed_on() -> None:
    assert forwarded(pygame.event.Event(pygame.MOUSEMOTION, {"pos": (1, 1)})) is None


def test_a_second_window_that_hears_nothing_is_ended_all_the_same(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    deaf = tmp_path / "deaf.py"
    deaf.write_text("import time\nprint('{}', flush=True)\ntime.sleep(60)\n")
    display = SecondDisplay("none", 48_000.0)
    monkeypatch.setattr(second, "END_SECONDS", 0.05)
    monkeypatch.setattr(display, "_command", [sys.executable, str(deaf)])
    display.open(1)
    process = display._child.process
    assert isinstance(process, subprocess.Popen)
    assert display.running
    began = time.monotonic()
    display.close()
    # The desk goes on at once, and sees to it later.
    assert not display.running
    assert process.poll() is None
    while process.poll() is None and time.monotonic() - began < 20:
        display.events()
        time.sleep(0.01)
    assert process.poll() is not None
    display.end()
