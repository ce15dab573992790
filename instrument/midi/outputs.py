"""Outputs of controllers: the output that belongs to an input, found by its name."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Protocol

from instrument.midi.message_decoder import MidiError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from instrument.midi.port_names import PortInfo

_ENDS = frozenset({"in", "out", "input", "output", "inputs", "outputs", "capture", "playback", "midiin", "midiout"})
"""Words by which systems tell the two ends of one controller apart (common practice, no source)."""


class OpenOutput(Protocol):
    """An output that is open."""

    def send(self, message: tuple[int, ...]) -> None:
        """Send a message of one to three bytes; one that has gone takes it in silence."""

    def is_there(self) -> bool:
        """Return whether it still leads somewhere."""

    def close(self) -> None:
        """Close it."""


class Sending(Protocol):
    """A system of MIDI ports that can be sent to."""

    def list_inputs(self) -> list[PortInfo]:
        """Return what could play into us now."""

    def list_outputs(self) -> list[PortInfo]:
        """Return everything that listens."""

    def open_output(self, plug: PortInfo) -> OpenOutput:
        """Open an output.

        Raises
        ------
        MidiError
            If it refuses.
        """


def name_words(name: str) -> tuple[str, ...]:
    """Return what the names of both ends of a controller have in common.

    Examples
    --------
    >>> name_words("a2j:Buoy Faders [20] (capture): Buoy Faders MIDI 1")
    ('a2j', 'buoy', 'faders', '20', 'buoy', 'faders', 'midi', '1')
    """
    words = re.split(r"[^0-9a-zA-Z\u0080-\U0010ffff]+|(?<=midi)_", name.casefold())
    return tuple(word for word in words if word and word not in _ENDS)


def matching_output(name: str, sources: Sequence[PortInfo], targets: Sequence[PortInfo]) -> PortInfo | None:
    """Return the output that belongs to an input, or None.

    Parameters
    ----------
    name : str
        Full name of the input.
    sources, targets : sequence of PortInfo
        Inputs and outputs of its system. Of several with the same words the first belongs to the first, and so on.
        Ports that are only numbered are told apart by their other names.
    """
    source = next((plug for plug in sources if plug.name == name), None)
    if source is None or source.passes:
        return None
    for words in (_alias_words, _name_words, _unnumbered):
        mine = words(source)
        if not mine:
            continue
        alike = [plug.name for plug in sources if words(plug) == mine]
        found = [plug for plug in targets if words(plug) == mine and not plug.passes]
        place = alike.index(name)
        if place < len(found):
            return found[place]
    return None


def _alias_words(plug: PortInfo) -> tuple[tuple[str, ...], ...]:
    return tuple(name_words(alias) for alias in plug.aliases)


def _name_words(plug: PortInfo) -> tuple[str, ...]:
    # Bare numbers of plugs on the machine say nothing about what is plugged in there.
    words = name_words(plug.name)
    return () if plug.aliases and words[:1] == ("system",) else words


def _unnumbered(plug: PortInfo) -> tuple[str, ...]:
    # Windows counts inputs and outputs apart, behind their names.
    words = _name_words(plug)
    return words[:-1] if len(words) > 1 and words[-1].isdigit() else words


class Outputs:
    """The outputs that belong to the inputs that are open.

    Called by one thread alone.
    """

    def __init__(self) -> None:
        self._open: dict[int, tuple[str, OpenOutput]] = {}

    @property
    def by_number(self) -> dict[int, OpenOutput]:
        """Open outputs, by the number that the messages of their inputs carry."""
        return {number: output for number, (_, output) in self._open.items()}

    def poll(self, inputs: Iterable[tuple[Sending, str, int]]) -> bool:
        """Open and close outputs as their inputs have been; return whether anything changed.

        Parameters
        ----------
        inputs : iterable of (Sending, str, int)
            System, name and number of each open input.
        """
        changed = False
        wanted = {number: (system, name) for system, name, number in inputs}
        for number, (name, output) in list(self._open.items()):
            if number not in wanted or wanted[number][1] != name or not output.is_there():
                output.close()
                del self._open[number]
                changed = True
        for number, (system, name) in wanted.items():
            opened = _opened(system, name) if number not in self._open else None
            if opened is not None:
                self._open[number] = (name, opened)
                changed = True
        return changed

    def close(self) -> None:
        """Close everything."""
        for _, output in self._open.values():
            output.close()
        self._open.clear()


def _opened(system: Sending, name: str) -> OpenOutput | None:
    plug = matching_output(name, system.list_inputs(), system.list_outputs())
    if plug is None:
        return None
    try:
        return system.open_output(plug)
    except MidiError:
        return None  # it belongs to somebody else; nothing that is played depends on it
