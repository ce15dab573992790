"""Starting the window: its arguments, what it needs, and one sentence if it cannot be opened."""

from __future__ import annotations

import ctypes
import os
import signal
import sys

import numpy as np
import pygame

from instrument.beam.look import Look, compile_for
from instrument.engine.memory.allocation import attach
from instrument.measure.flash_monitor import FlashMonitor
from instrument.window.app import Window
from instrument.window.icon import icon
from instrument.window.look_change import usual_look
from instrument.window.second_display import PictureWindow, SecondDisplay
from instrument.window.settings import Settings, read_settings
from instrument.window.stage_messages import standard_channel

_UNSEEN = ("dummy", "offscreen")
"""Video drivers without a screen, which the library falls back to in some versions."""

_PICTURE = "--picture"


def main(arguments: list[str]) -> int:
    """Show the window of the engine whose memory has this name.

    Parameters
    ----------
    arguments : list of str
        Name of the shared memory and sample rate in hertz; then ``--picture`` and the number of a display, counted
        from 0, for the picture alone.

    Returns
    -------
    int
        0 at the end of the performance, 1 if there is no display or no such memory, 2 on wrong usage.
    """
    try:
        name, rate, *rest = arguments
        hertz = float(rate)
        display = _display_of(rest)
    except ValueError:
        hertz, display, name = 0.0, None, ""
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
    window: Window | PictureWindow
    try:
        # Only these two: the library's own audio would open the sound device.
        pygame.display.init()
        pygame.font.init()
        if pygame.display.get_driver() in _UNSEEN:
            raise pygame.error(_why_unseen())
        if pygame.display.get_driver() == "wayland":
            # There the library has no way to the window but through a texture.
            os.environ.pop("SDL_FRAMEBUFFER_ACCELERATION", None)
        pygame.display.set_allow_screensaver(False)
        pygame.display.set_caption("Beamhand")
        pygame.display.set_icon(icon())
        look = _usual_look()
        compile_for(look)
        if display is None:
            FlashMonitor(hertz).add_samples(np.zeros((round(hertz / 30), 2), np.float32))
            second = SecondDisplay(name, hertz)
            window = Window(memory.record, hertz, standard_channel(), look, _settings(), second)
        else:
            window = PictureWindow(memory.record, hertz, standard_channel(), look, display)
    except pygame.error as error:
        memory.close()
        return _fail(f"No window can be opened on this display ({error}); the sound plays without it.", 1)
    window.run()
    pygame.quit()
    del window
    memory.close()
    return 0


def _why_unseen() -> str:
    missing = []
    if sys.platform.startswith("linux") and os.environ.get("DISPLAY"):
        for library in ("libX11.so.6", "libXext.so.6"):
            try:
                ctypes.CDLL(library)
            except OSError:
                missing.append(library.partition(".")[0])
    if not missing:
        return "no screen was found"
    return f"{' and '.join(missing)} missing on this machine: sudo apt-get install libx11-6 libxext6"


def _display_of(arguments: list[str]) -> int | None:
    if not arguments:
        return None
    option, number = arguments
    if option != _PICTURE:
        raise ValueError(option)
    return int(number)


def _usual_look() -> Look:
    try:
        return usual_look()
    except (OSError, ValueError) as error:
        # A mistake in a file of taste must not cost the window.
        sys.stderr.write(f"The window opens with its common look: {error}\n")
        return Look()


def _settings() -> Settings:
    try:
        return read_settings()
    except (OSError, ValueError) as error:
        sys.stderr.write(f"The window opens with its usual settings: {error}\n")
        return Settings()


def _fail(sentence: str, status: int) -> int:
    sys.stderr.write(sentence + "\n")
    return status
