"""The window's loop: what the stage says, what the hands do, what the beam drew, sixty times a second."""

from __future__ import annotations

import signal
import sys
import time
from typing import TYPE_CHECKING, Any

import pygame

from instrument.beam.look import Look
from instrument.beam.warm import warm
from instrument.engine.memory import attach
from instrument.window.channel import standard_channel
from instrument.window.help_page import help_page
from instrument.window.keys import COMMANDS, action_for, note_name
from instrument.window.legible import legibility
from instrument.window.lettering import GROUND, Letters
from instrument.window.looks import Looks, usual_look
from instrument.window.notes import NoteKeys
from instrument.window.picture import Picture
from instrument.window.reader import OutputReader
from instrument.window.readings import CallbackLoad, Levels, MidiActivity
from instrument.window.text_line import Figures, TextLine

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from instrument.window.channel import Channel

FRAMES_PER_SECOND = 60
TEXTS_PER_SECOND = 15
"""Figures that change faster cannot be read."""

FIRST_SIZE = (1280, 800)
PATIENCE = 5.0
"""Seconds in which closing the window a second time ends the performance."""

_QUESTION = "Close the window once more to end the performance and its sound, or go on playing."
_UNSEEN = ("dummy", "offscreen")
"""Video drivers without a screen, which the library falls back to in some versions."""


class Window:
    """One window over one engine's memory.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]
    rate : float
        Sample rate in hertz.
    channel : Channel
    look : Look, optional
    """

    def __init__(
        self, record: npt.NDArray[np.void], rate: float, channel: Channel, look: Look | None = None
    ) -> None:
        self._record, self._rate, self._channel = record, rate, channel
        self._reader = OutputReader(record, rate)
        self._notes = NoteKeys(record)
        self._levels = Levels()
        self._load = CallbackLoad(record, rate)
        self._midi = MidiActivity(record)
        self._said: dict[str, Any] = {}
        self._size = self._windowed = _fitting(FIRST_SIZE)
        self._fullscreen = self._done = False
        self._looks = Looks(look)
        self._help: pygame.Surface | None = None
        self._text = True
        self._asked_at = -PATIENCE
        self._text_at = 0.0
        self._hidden = False
        self._open()

    def run(self) -> None:
        """Show and play until the stage is gone or the performance is ended."""
        clock = pygame.time.Clock()
        before = time.monotonic()
        while not self._done:
            clock.tick(FRAMES_PER_SECOND)
            now = time.monotonic()
            self._listen()
            for event in pygame.event.get():
                self._handle(event)
            self._notes.flush()
            if self._looks.settle():
                self._lay_out()
            self._follow(now - before)
            if not self._hidden:
                self._draw(now)
            before = now
        self._notes.release_all()

    def _listen(self) -> None:
        for message in self._channel.messages():
            self._said.update(message)
            if "controls" in message and self._help is not None:
                self._help = self._help_page()
            pygame.display.set_caption(f"Beamhand - {self._title}" if self._title else "Beamhand")
        self._done = self._done or self._channel.ended

    @property
    def _title(self) -> str:
        return str(self._said.get("title") or self._said.get("patch") or "")

    def _follow(self, seconds: float) -> None:
        samples = self._reader.read(seconds)
        self._levels.follow(samples, seconds)
        self._load.follow(seconds)
        self._midi.follow(seconds)
        self._picture.follow(samples, seconds)

    # What the hands do

    def _handle(self, event: pygame.event.Event) -> None:
        if event.type == pygame.KEYDOWN:
            self._press(event)
        elif event.type == pygame.KEYUP:
            self._notes.release(event.scancode)
        elif event.type == pygame.WINDOWFOCUSLOST:
            # The release of a key that is let go elsewhere never comes here.
            self._notes.release_all()
        elif event.type == pygame.QUIT:
            self._close()
        elif event.type == pygame.WINDOWSIZECHANGED:
            self._lay_out()
        elif event.type in {pygame.WINDOWHIDDEN, pygame.WINDOWMINIMIZED}:
            self._hidden = True
        elif event.type in {pygame.WINDOWSHOWN, pygame.WINDOWRESTORED, pygame.WINDOWEXPOSED}:
            self._hidden = False
            self._draw_everything()

    def _press(self, event: pygame.event.Event) -> None:
        control = bool(event.mod & (pygame.KMOD_CTRL | pygame.KMOD_META))
        action = action_for(event.key, event.scancode, control=control)
        if action is not None:
            self._act(action)
        elif not control and not event.mod & pygame.KMOD_ALT:
            self._notes.press(event.scancode)

    def _act(self, action: str) -> None:
        if action in COMMANDS:
            if action in {"panic", "quit"}:
                self._notes.release_all()
            self._channel.send(action)
            self._done = self._done or action == "quit"
        elif action in {"octave_up", "octave_down"}:
            self._notes.shift(1 if action == "octave_up" else -1)
        elif action == "fullscreen" or (action == "leave" and self._help is None and self._fullscreen):
            self._fullscreen = not self._fullscreen
            self._open()
        elif action == "help" or (action == "leave" and self._help is not None):
            self._help = self._help_page() if self._help is None else None
            self._draw_everything()
        elif action == "text":
            self._text = not self._text
            self._lay_out()
        else:
            self._looks.wish(action)

    def _close(self) -> None:
        if time.monotonic() - self._asked_at < PATIENCE:
            self._act("quit")
        self._asked_at = time.monotonic()

    # What is seen

    def _open(self) -> None:
        if self._fullscreen:
            self._windowed = pygame.display.get_window_size()
            pygame.display.set_mode((0, 0), pygame.FULLSCREEN)
        else:
            pygame.display.set_mode(self._windowed, pygame.RESIZABLE)
            # Without a window manager, the first call does no more than leave the whole screen.
            if pygame.display.get_window_size() != self._windowed:
                pygame.display.set_mode(self._windowed, pygame.RESIZABLE)
        pygame.mouse.set_visible(not self._fullscreen)
        self._lay_out()

    def _lay_out(self) -> None:
        self._screen = pygame.display.get_surface()
        width, height = self._screen.get_size()
        self._letter_height = max(min(height // 40, width // 40), 15)
        self._line = TextLine(Letters(self._letter_height), width)
        self._figures = self._figures_now()
        self._line_height = self._line.height(self._figures) if self._text_shown else 0
        room = pygame.Rect(0, 0, width, height - self._line_height)
        self._picture = Picture(room, self._rate, self._looks.current)
        if self._help is not None:
            self._help = self._help_page()
        self._draw_everything()

    @property
    def _text_shown(self) -> bool:
        return self._text or bool(self._figures.trouble)

    def _figures_now(self) -> Figures:
        left, right = (round(level) for level in self._levels.decibels)
        asked = time.monotonic() - self._asked_at < PATIENCE
        return Figures(
            title=self._title or "Beamhand",
            device=str(self._said.get("device") or ""),
            levels=(left, right),
            load=round(100 * self._load.share),
            underflows=int(self._record["counters"]["underflows"]),
            missed=self._reader.missed,
            midi=self._midi.message or _ports(self._said.get("midi")),
            keyboard=note_name(self._notes.base),
            legible=legibility(self._record, self._rate, self._said.get("legible")),
            trouble=_QUESTION if asked else str(self._said.get("trouble") or ""),
        )

    def _draw(self, now: float) -> None:
        changed = [self._picture.draw_changes(self._screen)]
        if now - self._text_at >= 1 / TEXTS_PER_SECOND:
            self._text_at = now
            figures = self._figures_now()
            if figures != self._figures:
                self._figures = figures
                if (self._line.height(figures) if self._text_shown else 0) != self._line_height:
                    self._lay_out()
                    return
                if self._text_shown:
                    changed.append(self._line.draw(self._screen, figures))
        areas = [area for area in changed if area is not None]
        if areas:
            self._draw_help()
            pygame.display.update(areas)

    def _draw_everything(self) -> None:
        self._screen.fill(GROUND)
        self._picture.draw_all(self._screen)
        if self._text_shown:
            self._line.draw(self._screen, self._figures)
        self._draw_help()
        pygame.display.flip()

    def _draw_help(self) -> None:
        if self._help is not None:
            self._screen.blit(self._help, self._help.get_rect(center=self._screen.get_rect().center))

    def _help_page(self) -> pygame.Surface:
        controls = self._said.get("controls")
        listed = controls if isinstance(controls, list) else []
        return help_page(self._screen.get_size(), self._letter_height, listed)


def _ports(ports: object) -> str:
    names = [str(name) for name in ports] if isinstance(ports, list) else []
    return ", ".join(names) if names else "no controller"


def _fitting(size: tuple[int, int]) -> tuple[int, int]:
    # A window that starts larger than the display would have its text out of sight.
    width, height = pygame.display.get_desktop_sizes()[0]
    return min(size[0], width), min(size[1], height)


def main(arguments: list[str]) -> int:
    """Show the window of the engine whose memory has this name.

    Parameters
    ----------
    arguments : list of str
        Name of the shared memory and sample rate in hertz.

    Returns
    -------
    int
        0 at the end of the performance, 1 if there is no display or no such memory, 2 on wrong usage.
    """
    try:
        name, rate = arguments
        hertz = float(rate)
    except ValueError:
        hertz = 0.0
    if not 0.0 < hertz < float("inf"):
        return _fail("Usage: python -m instrument.window MEMORY_NAME RATE (the stage starts it).", 2)
    # Ctrl-C in the terminal reaches both processes; the stage decides, and its end is ours.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        memory = attach(name)
    except FileNotFoundError:
        return _fail(f"The window finds no sound called {name}: its stage has ended.", 1)
    except (OSError, ValueError) as error:
        return _fail(f"The window cannot read the sound: {error}.", 1)
    try:
        # Only these two: the library's own audio would open the sound device.
        pygame.display.init()
        pygame.font.init()
        if pygame.display.get_driver() in _UNSEEN:
            raise pygame.error("no screen was found")
        pygame.display.set_allow_screensaver(False)
        pygame.display.set_caption("Beamhand")
        look = _usual_look()
        warm(look)
        window = Window(memory.record, hertz, standard_channel(), look)
    except pygame.error as error:
        memory.close()
        return _fail(f"No window can be opened on this display ({error}); the sound plays without it.", 1)
    window.run()
    pygame.quit()
    del window
    memory.close()
    return 0


def _usual_look() -> Look:
    try:
        return usual_look()
    except (OSError, ValueError) as error:
        # A mistake in a file of taste must not cost the window.
        sys.stderr.write(f"The window opens with its common look: {error}\n")
        return Look()


def _fail(sentence: str, status: int) -> int:
    sys.stderr.write(sentence + "\n")
    return status
