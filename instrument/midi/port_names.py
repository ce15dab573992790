"""Names of MIDI ports: which port a name, a part of a name or no name means."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from instrument.midi.message_decoder import MidiError

if TYPE_CHECKING:
    from collections.abc import Sequence

_HARDWARE = ("system:", "a2j:", "Midi-Bridge:")
"""Prefixes of JACK's ports for what is plugged in: its own driver's, a2jmidid's, PipeWire's (common practice, no source)."""

_PASSING = "Midi Through"
"""A port that only passes messages on: opening it too would hear the same message twice."""


@dataclass(frozen=True)
class PortInfo:
    """Port of a MIDI system that can be opened.

    Attributes
    ----------
    name : str
    aliases : tuple of str
        Other names by which it may be meant.
    hardware : bool
        Whether it is a controller, which is opened without being named, and not another program.
    """

    name: str
    aliases: tuple[str, ...] = ()
    hardware: bool = True

    @property
    def words(self) -> str:
        """All names, for parts to be looked for in."""
        return " ".join([self.name, *self.aliases]).casefold()

    @property
    def passes(self) -> bool:
        """True for a port that only passes on what other ports say."""
        return _PASSING.casefold() in self.words


def jack_port_info(name: str, aliases: tuple[str, ...] = (), *, physical: bool = False) -> PortInfo:
    """Return a plug of JACK, where other programs stand beside controllers."""
    return PortInfo(name, aliases, physical or name.startswith(_HARDWARE))


def choose_ports(wanted: Sequence[str], systems: Sequence[Sequence[PortInfo]]) -> list[list[PortInfo]]:
    """Return what is meant among the plugs of each system, in the order in which it is meant.

    Parameters
    ----------
    wanted : sequence of str
        Names or parts of names, upper and lower case alike; a part may mean several. Empty means every controller
        that is plugged in.
    systems : sequence of sequence of PortInfo
        What there is, by system. One controller may be seen by several systems, so what an earlier one
        offers is not opened at a later one.
    """
    chosen: list[list[PortInfo]] = [[] for _ in systems]
    parts: list[str | None] = [*wanted] or [None]
    for part in parts:
        for found, plugs in zip(chosen, systems, strict=True):
            if matches := _meant(part, plugs):
                found += [plug for plug in matches if plug not in found]
                break
    return chosen


def names_present(names: Sequence[str], systems: Sequence[Sequence[PortInfo]]) -> tuple[str, ...]:
    """Return those names or parts of names that something has."""
    return tuple(name for name in names if any(_meant(name, plugs) for plugs in systems))


def check_wanted(wanted: Sequence[str], systems: Sequence[Sequence[PortInfo]]) -> None:
    """Check that everything that is wanted by name is there.

    Raises
    ------
    MidiError
        If nothing has such a name.
    """
    for part in wanted:
        if not any(_meant(part, plugs) for plugs in systems):
            raise MidiError(_unknown(part, [plug.name for plugs in systems for plug in plugs]))


def _meant(part: str | None, plugs: Sequence[PortInfo]) -> list[PortInfo]:
    if part is None:
        return [plug for plug in plugs if plug.hardware and not plug.passes]
    exact = [plug for plug in plugs if plug.name == part]
    return exact or [plug for plug in plugs if part.casefold() in plug.words]


def _unknown(part: str, names: list[str]) -> str:
    if not names:
        return f"there is no MIDI input {part!r}; none is connected."
    folded = {name.casefold(): name for name in names}
    near = difflib.get_close_matches(part.casefold(), folded, n=3, cutoff=0.3)
    offered = [folded[name] for name in near] or names[:5]
    return f"there is no MIDI input {part!r}; did you mean {' or '.join(repr(name) for name in offered)}?"
