"""MIDI inputs of a performance: opened when plugged in, released when unplugged, and the keys that each holds down."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import numpy as np

from instrument.engine.engine import midi_event
from instrument.engine.notes.midi_numbers import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    CONTROL_CHANGE,
    NOTE_OFF,
    NOTE_ON,
    PEDAL_DOWN,
    RELEASE_VELOCITY,
    RESET_CONTROLLERS,
    SOSTENUTO,
    SUSTAIN,
)
from instrument.midi.message_decoder import MidiError
from instrument.midi.port_names import PortInfo, check_wanted, choose_ports, names_present

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy.typing as npt

    from instrument.engine.engine import Event

NUMBERS = 256
"""Ports that can be told apart by the number that a message carries."""

PEDALS = (SUSTAIN, SOSTENUTO)
"""Controllers that hold notes."""


class HeldKeys:
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

    def update(self, status: int, first: int, second: int) -> None:
        """Take in a complete message."""
        kind, channel = status & 0xF0, status & 0x0F
        if kind == NOTE_ON and second:
            self.keys[channel, first] = 1
        elif kind in {NOTE_OFF, NOTE_ON}:
            self.keys[channel, first] = 0
        elif kind == CONTROL_CHANGE:
            if first in PEDALS:
                self.pedals[channel, PEDALS.index(first)] = second
            elif first == RESET_CONTROLLERS:
                self.pedals[channel] = 0
            elif first == ALL_SOUND_OFF or first >= ALL_NOTES_OFF:
                self.keys[channel] = 0

    def release_all(self, others: list[HeldKeys]) -> list[tuple[int, int, int]]:
        """Return the messages that let go of everything, and forget it.

        Parameters
        ----------
        others : list of HeldKeys
            What the other ports hold: a key that one of them holds too stays down.
        """
        down = self.keys.astype(bool)
        for other in others:
            down &= other.keys == 0
        messages = [(NOTE_OFF | int(channel), int(key), RELEASE_VELOCITY) for channel, key in np.argwhere(down)]
        for channel, pedal in np.argwhere(self.pedals >= PEDAL_DOWN):
            messages.append((CONTROL_CHANGE | int(channel), PEDALS[pedal], 0))
        self.keys[...] = 0
        self.pedals[...] = 0
        return messages


class OpenInput(Protocol):
    """An input that is open.

    Attributes
    ----------
    held : HeldKeys
        What it holds down.
    """

    held: HeldKeys

    def is_there(self) -> bool:
        """Return whether messages can still come."""

    def close(self) -> int:
        """Close it and return a sample behind all of its messages; 0 if all have taken effect."""


class MidiSystem(Protocol):
    """Something that has MIDI ports: JACK, or what rtmidi knows."""

    def list_inputs(self) -> list[PortInfo]:
        """Return what could play into us now."""

    def end(self) -> None:
        """Let go of whatever it holds beside what was opened."""

    def open_own_port(self, number: int) -> OpenInput | None:
        """Open a port of our own for others to play into; None where there are no such ports.

        Raises
        ------
        MidiError
            If the system refuses.
        """

    def open(self, plug: PortInfo, number: int) -> OpenInput:
        """Open an input whose messages carry a number.

        Raises
        ------
        MidiError
            If it refuses.
        """


class Inputs:
    """Open MIDI inputs of the instrument.

    Called by one thread alone.

    Parameters
    ----------
    systems : sequence of MidiSystem
        The first one comes first where a controller is seen by several.
    wanted : sequence of str
        Names or parts of names; empty for every controller that is plugged in.
    push : callable
        Hands an event to the engine, by a ring that belongs to the calling thread.
    own_name : str
        What our own port is called.
    remembered : sequence of str, optional
        Names or parts of names that are wanted where nothing else is, for as long as something has one of them; while
        nothing has, every controller plays.
    """

    def __init__(
        self,
        systems: Sequence[MidiSystem],
        wanted: Sequence[str],
        push: Callable[[Event], object],
        own_name: str,
        remembered: Sequence[str] = (),
    ) -> None:
        self._systems = list(systems)
        self._wanted = tuple(wanted)
        self._push = push
        self._own_name = own_name
        self._remembered = tuple(remembered)
        self._numbers: dict[tuple[MidiSystem, str], int] = {}
        self._open: dict[tuple[MidiSystem, str], OpenInput] = {}
        self._refused: dict[str, str] = {}
        self._forgotten: MidiSystem | None = None

    @property
    def names(self) -> list[str]:
        """Names of what is open, our own port once."""
        return list(dict.fromkeys(name for _, name in self._open))

    @property
    def numbers(self) -> list[tuple[int, str]]:
        """Number that messages carry, and name, of each input that is open, our own ports included."""
        return [(self._numbers[place], place[1]) for place in self._open]

    @property
    def ports(self) -> list[tuple[MidiSystem, str, int]]:
        """System, name and number of each controller that is open; our own port is not among them."""
        open_now = [place for place in self._open if place[1] != self._own_name]
        return [(system, name, self._numbers[system, name]) for system, name in open_now]

    def check(self) -> None:
        """Check that everything that is wanted is there.

        Raises
        ------
        MidiError
            If nothing has a name that is wanted.
        """
        check_wanted(self._wanted, [system.list_inputs() for system in self._systems])

    def begin(self) -> list[str]:
        """Open our own ports and everything that is wanted; return a sentence for each that refuses."""
        for system in self._systems:
            try:
                port = system.open_own_port(self._number(system, self._own_name))
            except MidiError as error:
                self._refused[self._own_name] = str(error)
                continue
            if port is not None:
                self._open[system, self._own_name] = port
        self.poll()
        return list(self._refused.values())

    def poll(self) -> list[str]:
        """See to what was plugged in or out since the last look; return a sentence for each."""
        plugs = [system.list_inputs() for system in self._systems]
        chosen = choose_ports(self._wanted or names_present(self._remembered, plugs), plugs)
        meant = {
            (system, plug.name): plug for system, plugs in zip(self._systems, chosen, strict=True) for plug in plugs
        }
        said = [
            self._let_go(place)
            for place, port in list(self._open.items())
            if place[1] != self._own_name and (place not in meant or not port.is_there())
        ]
        for (system, name), plug in meant.items():
            if (system, name) not in self._open:
                said += self._opened(system, plug)
        return said

    def forget(self, system: MidiSystem) -> None:
        """Let go of everything that a system plays, which has ended."""
        for place in [place for place in self._open if place[0] is system]:
            self._let_go(place)
        # Now, and not when nobody refers to it any more: by then there may be another server (`stage.jack_library`).
        system.end()
        self._systems.remove(system)
        self._forgotten = system

    def add(self, system: MidiSystem) -> None:
        """Listen to a system in the place of the one forgotten last; what comes back has the number that it had.

        Raises
        ------
        MidiError
            If it refuses a port of our own.
        """
        self._systems.insert(0, system)
        if self._forgotten is not None:
            before = self._forgotten
            self._numbers = {
                (system if other is before else other, name): number for (other, name), number in self._numbers.items()
            }
            self._forgotten = None
        port = system.open_own_port(self._number(system, self._own_name))
        if port is not None:
            self._open[system, self._own_name] = port

    def close(self) -> None:
        """Close everything."""
        for port in self._open.values():
            port.close()
        self._open.clear()
        for system in self._systems:
            system.end()

    def _let_go(self, place: tuple[MidiSystem, str]) -> str:
        port = self._open.pop(place)
        sample = port.close()
        others = [other.held for other in self._open.values()]
        for message in port.held.release_all(others):
            self._push(midi_event(sample, *message, port=self._numbers[place]))
        return f"the MIDI input {place[1]!r} is gone: what it held is let go of."

    def _opened(self, system: MidiSystem, plug: PortInfo) -> list[str]:
        try:
            self._open[system, plug.name] = system.open(plug, self._number(system, plug.name))
        except MidiError as error:
            # One that belongs to somebody else is tried again at every look, and told once.
            told = self._refused.get(plug.name) == str(error)
            self._refused[plug.name] = str(error)
            return [] if told else [str(error)]
        self._refused.pop(plug.name, None)
        return [f"the MIDI input {plug.name!r} plays."]

    def _number(self, system: MidiSystem, name: str) -> int:
        # One that comes back has the number that it had; those of others are given away when none is left.
        if (system, name) not in self._numbers and len(self._numbers) == NUMBERS:
            self._numbers = {place: number for place, number in self._numbers.items() if place in self._open}
        used = set(self._numbers.values())
        free = next((number for number in range(NUMBERS) if number not in used), None)
        if (system, name) not in self._numbers and free is None:
            raise MidiError(f"the MIDI input {name!r} is one more than the {NUMBERS} that can be told apart.")
        return self._numbers.setdefault((system, name), free or 0)
