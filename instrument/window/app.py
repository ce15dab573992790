"""The window's loop: what the stage says, what the hands do, what the beam drew, sixty times a second."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import pygame

from instrument.engine.memory.views import counters
from instrument.measure.flash_monitor import FlashMonitor
from instrument.window.beam_picture import FRAME, FramePace, OutputReader
from instrument.window.desk import Desk
from instrument.window.keyboard_notes import NoteKeys
from instrument.window.keys import COMMANDS, held_keys, note_name
from instrument.window.live_values import LiveValues
from instrument.window.look_change import LookChange
from instrument.window.pages.context import Context
from instrument.window.pages.help import help_page
from instrument.window.placement import FIRST_SIZE, Placement
from instrument.window.readings import CallbackLoad, Meters, PortActivity, blurred_layer, legibility
from instrument.window.settings import Settings
from instrument.window.stage_and_desk import DeskView, Figures, StageView
from instrument.window.stage_messages import StageState
from instrument.window.strip import Readings
from instrument.window.theme import DIM, NIGHT
from instrument.window.widgets.painter import ThumbnailCache

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from instrument.beam.look import Look
    from instrument.window.second_display import SecondDisplay
    from instrument.window.stage_messages import Channel

TEXTS_PER_SECOND = 15
"""Figures that change faster cannot be read."""

_LATE = 1.5 * FRAME
"""Seconds since the last frame after which this one is late: the picture goes before the texts then."""

_SPARING = 4
"""Times as long that texts in which no hand has changed anything wait in late frames."""

PATIENCE = 5.0
"""Seconds in which closing the window a second time ends the performance."""

_QUESTION = "Close the window once more to end the performance and its sound, or go on playing."
_ALIVE_SECONDS = 1.0
"""Time between two words that this window goes on, by which the stage tells one that stands still."""


class Window:
    """One window over one engine's memory.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]
    rate : float
    channel : Channel
    look : Look, optional
    settings : Settings, optional
    second : SecondDisplay, optional
        What shows the picture on another display; without one there is no such display.
    size : tuple of int
        Width and height that it opens with on a desktop of the usual density, if the display has room for it.

    Attributes
    ----------
    stage : StageState
        What the stage has said.
    notes : NoteKeys
        The notes of the computer keyboard.
    view : DeskView or StageView
        What is seen.
    """

    def __init__(
        self,
        record: npt.NDArray[np.void],
        rate: float,
        channel: Channel,
        look: Look | None = None,
        settings: Settings | None = None,
        second: SecondDisplay | None = None,
        size: tuple[int, int] = FIRST_SIZE,
    ) -> None:
        self._record, self._rate, self._channel = record, rate, channel
        self._settings = settings or Settings()
        self._reader = OutputReader(record, rate)
        self.notes = NoteKeys(record)
        self._meters, self._load = Meters(rate), CallbackLoad(record, rate)
        self._midi, self._flashes = PortActivity(record), FlashMonitor(rate)
        self.stage = StageState()
        self._context = Context(self.stage, LiveValues(record, rate), self._settings.keyboard)
        self._desk = Desk(self._context, self._midi)
        self._thumbs = ThumbnailCache()
        self._second = second
        self._done = self._hidden = False
        self._on_desk = self._settings.view == "desk"
        self._theme = DIM if self._settings.dim else NIGHT
        self._look_change = LookChange(look)
        self._help: pygame.Surface | None = None
        self._text = self._changed = True
        self._last_click: tuple[float, tuple[int, int]] = (0.0, (0, 0))
        self._asked_at = -PATIENCE
        self._text_at = self._updated_at = self._alive_at = 0.0
        self._placement = Placement(size)
        self._show_pointer()
        self._lay_out()
        if second is not None and self._settings.second and pygame.display.get_num_displays() > 1:
            self._show_second()

    def run(self) -> None:
        """Show and play until the stage is gone or the performance is ended."""
        pace = FramePace()
        before = time.monotonic()
        while not self._done:
            now = pace.wait()
            self.frame(now, now - before)
            before = now
        self.notes.release_all()
        if self._second is not None:
            self._second.end()

    def frame(self, now: float, passed: float) -> None:
        """Do what is to be done once a frame.

        Parameters
        ----------
        now, passed : float
            Monotonic clock, and what passed since the last frame, in seconds.
        """
        self._listen()
        for event in [*pygame.event.get(), *(self._second.events() if self._second is not None else ())]:
            self._handle(event)
        self.notes.flush()
        self._ask(now)
        if self._look_change.apply():
            self._lay_out()
        self._update(passed)
        if not self._hidden:
            self._draw(now, late=passed > _LATE)

    def end(self) -> None:
        """Leave the loop after this frame."""
        self._done = True

    def _listen(self) -> None:
        messages = self._channel.messages()
        for message in messages:
            self.stage.update(message)
        if messages:
            pygame.display.set_caption(f"Beamhand - {self.stage.title}" if self.stage.title else "Beamhand")
            self._changed = True
        self._done = self._done or self._channel.ended

    def _ask(self, now: float) -> None:
        for request in self._context.take_requests():
            self._channel.send(**request)
        if now - self._alive_at >= _ALIVE_SECONDS:
            self._alive_at = now
            self._placement.fit_frame()
            self._channel.send("alive")

    def _update(self, seconds: float) -> None:
        samples = self._reader.read(seconds)
        self._meters.update(samples, seconds)
        self._load.update(seconds)
        self._midi.update(seconds)
        self._desk.trouble = self._flashes.add_samples(samples).warning
        self.view.picture.update(samples, seconds, dark=self._context.live.dark)

    # What the hands do

    def _handle(self, event: pygame.event.Event) -> None:
        if event.type == pygame.KEYDOWN:
            self._press(event)
        elif event.type == pygame.KEYUP:
            self.notes.release(event.scancode)
        elif event.type == pygame.TEXTINPUT:
            self._changed |= self._on_desk and self._desk.write(event.text)
        elif event.type == pygame.WINDOWFOCUSLOST:
            # The release of a key that is let go elsewhere never comes here.
            self.notes.release_all()
        elif event.type == pygame.QUIT:
            self._close()
        elif event.type == pygame.WINDOWSIZECHANGED:
            self._lay_out()
        elif event.type == pygame.DROPFILE:
            self._context.ask("drop", path=event.file)
        elif event.type in {pygame.WINDOWHIDDEN, pygame.WINDOWMINIMIZED}:
            self._hidden = True
        elif event.type in {pygame.WINDOWSHOWN, pygame.WINDOWRESTORED, pygame.WINDOWEXPOSED}:
            self._hidden = False
            self._draw_everything()
        elif self._on_desk:
            self._point(event)

    def _point(self, event: pygame.event.Event) -> None:
        held = held_keys(pygame.key.get_mods())
        if event.type == pygame.MOUSEBUTTONDOWN and event.button in {pygame.BUTTON_LEFT, pygame.BUTTON_RIGHT}:
            self._desk.press(event.pos[0], event.pos[1], event.button, self._clicks(event))
        elif event.type == pygame.MOUSEMOTION and event.buttons[0]:
            self._desk.move(event.pos[0], event.pos[1], held)
        elif event.type == pygame.MOUSEBUTTONUP and event.button == pygame.BUTTON_LEFT:
            self._desk.release(event.pos[0], event.pos[1])
        elif event.type == pygame.MOUSEWHEEL:
            self._desk.wheel(*pygame.mouse.get_pos(), event.y, held)
        else:
            return
        self._do_actions()

    def _clicks(self, event: pygame.event.Event) -> int:
        when, where = self._last_click
        now = time.monotonic()
        near = abs(where[0] - event.pos[0]) + abs(where[1] - event.pos[1]) < 8
        twice = now - when < 0.4 and near and event.button == pygame.BUTTON_LEFT
        self._last_click = (0.0, (0, 0)) if twice else (now, event.pos)
        return 2 if twice else 1

    def _press(self, event: pygame.event.Event) -> None:
        held = held_keys(event.mod)
        if self._on_desk and self._desk.key(event.key, held):
            self._do_actions()
            return
        where = "desk" if self._on_desk else "stage"
        action = self._context.keyboard.action_for(event.key, event.scancode, held, where)
        if action is not None:
            self._act(action)
            self._do_actions()
        elif not held & {"Ctrl", "Alt"}:
            self.notes.press(event.scancode)

    def _do_actions(self) -> None:
        self._changed = True
        for action in self._context.actions:
            self._act(action)
        self._context.actions.clear()

    def _act(self, action: str) -> None:
        if action in COMMANDS:
            if action in {"panic", "quit"}:
                self.notes.release_all()
            # Even the end is the stage's to decide: it may have a question first.
            self._channel.send(action)
        elif action in {"octave_up", "octave_down"}:
            self.notes.shift(1 if action == "octave_up" else -1)
        elif action == "leave" and self._help is None and self._on_desk and self._desk.act(action):
            pass
        elif action == "fullscreen" or (action == "leave" and self._help is None and self._placement.whole_screen):
            self._placement.toggle()
            self._show_pointer()
            self._lay_out()
        elif action == "help" or (action == "leave" and self._help is not None):
            self._help = self._help_page() if self._help is None else None
            self._draw_everything()
        elif action in {"view", "text", "dim"}:
            self._switch(action)
        elif action == "second":
            self._show_second()
        elif not self._act_on_desk(action):
            self._look_change.request(action)

    def _act_on_desk(self, action: str) -> bool:
        if action == "leave" or not self._desk.act(action):
            return action == "leave"
        if not self._on_desk and action in {"layers", "motion", "hands", "patches", "search", "save_as"}:
            self._switch("view")
        return True

    def _switch(self, action: str) -> None:
        if action == "view":
            self._on_desk = not self._on_desk
            self._show_pointer()
        elif action == "text":
            self._text = not self._text
        else:
            self._theme = DIM if self._theme is NIGHT else NIGHT
        self._lay_out()

    def _show_second(self) -> None:
        other = self._placement.other_display
        if self._second is None:
            return
        if self._second.running:
            self._second.close()
        elif other is None:
            self._desk.tell("There is no second display; F11 fills this one, F12 shows the picture alone.")
        else:
            try:
                self._second.open(other)
            except OSError as error:
                self._desk.tell(f"The second display does not start: {error}.")

    def _close(self) -> None:
        if time.monotonic() - self._asked_at < PATIENCE:
            self._act("quit")
        self._asked_at = time.monotonic()

    # What is seen

    def _show_pointer(self) -> None:
        pygame.mouse.set_visible(self._on_desk or not self._placement.whole_screen)

    def _lay_out(self) -> None:
        self._screen = pygame.display.get_surface()
        look = self._look_change.current
        self.view: DeskView | StageView
        if self._on_desk:
            self.view = DeskView(self._screen, self._rate, look, self._theme, self._desk, self._readings, self._thumbs)
        else:
            self.view = StageView(self._screen, self._rate, look, self._theme, self._figures, text=self._text)
        if self._help is not None:
            self._help = self._help_page()
        self._draw_everything()

    def _readings(self) -> Readings:
        left, right = self._meters.channels
        drawings = self.stage.all.get("legible")
        legible, widest = legibility(self._record, self._rate, drawings)
        return Readings(
            levels=(left.decibels, right.decibels),
            held=(left.held, right.held),
            dc=(round(left.dc, 2), round(right.dc, 2)),
            load=round(100 * self._load.share),
            underflows=int(counters(self._record)["underflows"]),
            missed=self._reader.missed,
            legible=legible,
            widest=widest,
            blurred=blurred_layer(self._record, self._rate, drawings),
            midi=self._midi.message,
            keyboard=note_name(self.notes.base),
        )

    def _figures(self) -> Figures:
        readings = self._readings()
        ports = ", ".join(str(name) for name in self.stage.rows("midi"))
        return Figures(
            title=self.stage.title or "Beamhand",
            device=self.stage.text("device"),
            levels=(round(readings.levels[0]), round(readings.levels[1])),
            load=readings.load,
            underflows=readings.underflows,
            missed=readings.missed,
            midi=readings.midi or ports or "no controller",
            keyboard=readings.keyboard,
            legible=(readings.legible, readings.widest),
            trouble=self._trouble(),
        )

    def _trouble(self) -> str:
        if time.monotonic() - self._asked_at < PATIENCE:
            return _QUESTION
        question = self.stage.table("question").get("text")
        asked = f"{question} F12 shows the answers." if question else ""
        return asked or self._desk.note or self._desk.trouble or self.stage.text("trouble")

    def _draw(self, now: float, *, late: bool) -> None:
        changed: list[Any] = [self.view.picture.draw_changes(self._screen)]
        if now - self._updated_at >= 1 / TEXTS_PER_SECOND:
            # Apart from the texts, which are also drawn whenever something changes.
            self._desk.update()
            self._updated_at = now
        if self._texts_are_due(now - self._text_at, late=late):
            self._text_at, self._changed = now, False
            self._desk.closing = _QUESTION if now - self._asked_at < PATIENCE else ""
            texts = self.view.draw_texts()
            if texts is None:
                self._lay_out()
                return
            if self._desk.open_due_typing():
                texts += self.view.draw_texts() or []
            changed += texts
        areas = [area for area in changed if area is not None]
        if areas:
            self._draw_help()
            pygame.display.update(areas)

    def _texts_are_due(self, seconds: float, *, late: bool) -> bool:
        if late:
            return seconds >= (1 if self._changed else _SPARING) / TEXTS_PER_SECOND
        return self._changed or seconds >= 1 / TEXTS_PER_SECOND

    def _draw_everything(self) -> None:
        self.view.draw_all()
        self._draw_help()
        pygame.display.flip()

    def _draw_help(self) -> None:
        if self._help is not None:
            self._screen.blit(self._help, self._help.get_rect(center=self._screen.get_rect().center))

    def _help_page(self) -> pygame.Surface:
        return help_page(self._screen.get_size(), self.view.sizes.em, self._context.keyboard, self._theme)
