"""The computer keyboard as a piano: keys become raw note messages in the window's own event ring."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from instrument.engine.memory.layout import EVENT_MIDI, RING_EVENTS, RING_WINDOW
from instrument.engine.memory.output_ring import fence
from instrument.engine.memory.views import event_ring
from instrument.engine.notes.midi_numbers import NOTE_OFF, NOTE_ON, RELEASE_VELOCITY
from instrument.window.keys import SEMITONES

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

VELOCITY = 100
"""Value of a firm stroke: this keyboard cannot tell."""

LOWEST, HIGHEST = 0, 127
_FIRST_OCTAVE = 48
"""C3: with the keys above it, the middle of a piano."""


class NoteKeys:
    """The keys that play notes, and what is held.

    Parameters
    ----------
    record : np.ndarray [shape=(), dtype=layout.memory_dtype(...)]
        The engine's memory; this object is the one producer of its ring `RING_WINDOW`.
    """

    def __init__(self, record: npt.NDArray[np.void]) -> None:
        self._ring = event_ring(record, RING_WINDOW)
        self._held: dict[int, int] = {}
        self._waiting: deque[tuple[int, int, int]] = deque()
        self.base = _FIRST_OCTAVE

    @property
    def held(self) -> tuple[int, ...]:
        """MIDI key numbers that sound now, in the order they were pressed."""
        return tuple(self._held.values())

    def press(self, scancode: int) -> bool:
        """Play the note of a scancode; False if that key has none or its note is off the keyboard."""
        if scancode not in SEMITONES:
            return False
        key = self.base + SEMITONES[scancode]
        if scancode in self._held or key > HIGHEST:
            return False
        self._held[scancode] = key
        self._send((NOTE_ON, key, VELOCITY))
        return True

    def release(self, scancode: int) -> None:
        """End the note of a scancode, the one it started, even if the octave was moved since."""
        key = self._held.pop(scancode, None)
        # Two keys can hold one note after a change of octave: the last one ends it.
        if key is not None and key not in self._held.values():
            self._send((NOTE_OFF, key, RELEASE_VELOCITY))

    def release_all(self) -> None:
        """End every held note."""
        for scancode in list(self._held):
            self.release(scancode)

    def shift(self, octaves: int) -> None:
        """Move the keyboard by whole octaves, as far as MIDI key numbers go."""
        moved = self.base + 12 * octaves
        if LOWEST <= moved <= HIGHEST - 12:
            self.base = moved

    def flush(self) -> None:
        """Put waiting messages into the ring as far as there is room; to be called once a frame."""
        while self._waiting and int(self._ring["tail"]) - int(self._ring["head"]) < RING_EVENTS:
            tail = int(self._ring["tail"])
            self._ring["events"][tail % RING_EVENTS] = (0, 0.0, EVENT_MIDI, 0, self._waiting[0], 0, 0)
            fence()
            self._ring["tail"] = tail + 1
            self._waiting.popleft()

    def _send(self, message: tuple[int, int, int]) -> None:
        # In a queue first: with a full ring a release would be lost and its note would hang.
        self._waiting.append(message)
        self.flush()
