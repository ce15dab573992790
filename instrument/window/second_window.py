"""The window of the second display: the picture and nothing else; keys pressed there are passed on to the desk."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pygame

from instrument.window.beam_picture import Picture
from instrument.window.frame_pace import Pace
from instrument.window.live_values import Live
from instrument.window.ring_reader import OutputReader
from instrument.window.second_display import forwarded

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from instrument.beam.look import Look
    from instrument.window.stage_channel import Channel


class PictureWindow:
    """A whole display filled by the picture.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]
    rate : float
        Sample rate in hertz.
    channel : Channel
        To the window that has opened it; its end is the end of this one.
    look : Look
    display : int
        Counted from 0; one that is not there is taken as the last one.
    """

    def __init__(self, record: npt.NDArray[np.void], rate: float, channel: Channel, look: Look, display: int) -> None:
        self._channel = channel
        self._reader = OutputReader(record, rate)
        self._live = Live(record, rate)
        last = pygame.display.get_num_displays() - 1
        display = min(max(display, 0), last)
        self._screen = pygame.display.set_mode(
            pygame.display.get_desktop_sizes()[display], pygame.NOFRAME | pygame.FULLSCREEN, display=display
        )
        pygame.mouse.set_visible(False)
        self._picture = Picture(self._screen.get_rect(), rate, look)

    def run(self) -> None:
        """Show the picture until the other window is gone."""
        pace = Pace()
        before = time.monotonic()
        self._screen.fill((0, 0, 0))
        self._picture.draw_all(self._screen)
        pygame.display.flip()
        while not self._channel.ended:
            now = pace.wait()
            self._channel.messages()
            for event in pygame.event.get():
                if event.type == pygame.QUIT:
                    return
                if (passed_on := forwarded(event)) is not None:
                    self._channel.send("key", **passed_on)
                elif event.type == pygame.WINDOWEXPOSED:
                    self._picture.draw_all(self._screen)
                    pygame.display.flip()
            passed = now - before
            self._picture.follow(self._reader.read(passed), passed, dark=self._live.dark)
            changed = self._picture.draw_changes(self._screen)
            if changed is not None:
                pygame.display.update(changed)
            before = now
