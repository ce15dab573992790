"""What one controller holds down, so that it can be let go of when the controller is unplugged."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

PEDALS = (64, 66)
"""Controllers that hold notes: sustain and sostenuto (MIDI 1.0 Detailed Specification 4.2, table III)."""

PEDAL_DOWN = 64
"""Values from here on mean down (the same table: 0 to 63 off, 64 to 127 on)."""

RELEASE_VELOCITY = 64
"""What an instrument sends that does not measure it (MIDI 1.0 Detailed Specification 4.2, Note Off)."""

ALL_SOUND_OFF, RESET_CONTROLLERS, FIRST_MODE = 120, 121, 123
"""All sound off; reset all controllers, which lifts the pedals (MIDI recommended practice RP-015); and from 123 on every message also lets go of all notes (the same specification, table III)."""


class Held:
    """Keys and pedals of one port.

    Parameters
    ----------
    keys : np.ndarray [shape=(16, 128), dtype=uint8], optional
        1 where a key of a channel is down.
    pedals : np.ndarray [shape=(16, 2), dtype=uint8], optional
        Latest value of each of `PEDALS`.
    """

    def __init__(self, keys: npt.NDArray[np.uint8] | None = None, pedals: npt.NDArray[np.uint8] | None = None) -> None:
        self.keys = keys if keys is not None else np.zeros((16, 128), np.uint8)
        self.pedals = pedals if pedals is not None else np.zeros((16, len(PEDALS)), np.uint8)

    def see(self, status: int, first: int, second: int) -> None:
        """Take in a complete message."""
        kind, channel = status & 0xF0, status & 0x0F
        if kind == 0x90 and second:
            self.keys[channel, first] = 1
        elif kind in {0x80, 0x90}:
            self.keys[channel, first] = 0
        elif kind == 0xB0:
            if first in PEDALS:
                self.pedals[channel, PEDALS.index(first)] = second
            elif first == RESET_CONTROLLERS:
                self.pedals[channel] = 0
            elif first == ALL_SOUND_OFF or first >= FIRST_MODE:
                self.keys[channel] = 0

    def let_go(self, others: list[Held]) -> list[tuple[int, int, int]]:
        """Return the messages that let go of everything, and forget it.

        Parameters
        ----------
        others : list of Held
            What the other ports hold: a key that one of them holds too stays down.
        """
        down = self.keys.astype(bool)
        for other in others:
            down &= other.keys == 0
        messages = [(0x80 | int(channel), int(key), RELEASE_VELOCITY) for channel, key in np.argwhere(down)]
        for channel, pedal in np.argwhere(self.pedals >= PEDAL_DOWN):
            messages.append((0xB0 | int(channel), PEDALS[pedal], 0))
        self.keys[...] = 0
        self.pedals[...] = 0
        return messages
