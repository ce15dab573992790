"""MIDI inputs: which there are, opening them by name, and a port of our own that others connect to."""

from __future__ import annotations

import difflib
import sys
from typing import Any

import rtmidi

from instrument.midi.errors import MidiError

CLIENT = "Beamhand"
"""Name of our own port, and of the client that owns it where the system has clients."""

_QUEUE = 16_384
"""Messages the port holds until they are polled: more than a MIDI cable carries in ten seconds."""

_HARDWARE = ("system:", "a2j:", "Midi-Bridge:")
"""How JACK names what is plugged in: by its own driver, by a2jmidid, by PipeWire (common practice, no source)."""

_PASSING = ("Midi Through", CLIENT)
"""Ports that only pass messages on, and our own: opening them would hear the same message twice."""


def midi_api(*, jack: bool) -> int:
    """Return rtmidi's number of the system to use.

    Parameters
    ----------
    jack : bool
        Whether the sound goes through JACK; then messages do too, and share its clock.

    Raises
    ------
    MidiError
        If the machine has no MIDI system.
    """
    compiled = rtmidi.get_compiled_api()
    usual = [api for api in compiled if api not in {rtmidi.API_UNIX_JACK, rtmidi.API_RTMIDI_DUMMY}]
    wanted = [rtmidi.API_UNIX_JACK, *usual] if jack else [*usual, rtmidi.API_UNIX_JACK]
    for api in wanted:
        if api in compiled and _answers(api):
            return int(api)
    raise MidiError("no MIDI system answers on this machine; connect one, or play on the computer keyboard.")


def is_jack(api: int) -> bool:
    """Return whether rtmidi's number of a system means JACK."""
    return api == int(rtmidi.API_UNIX_JACK)


def input_names(api: int) -> list[str]:
    """Return the names of everything that could play into us, our own port left out."""
    return _names(rtmidi.MidiIn, api)


def output_names(api: int) -> list[str]:
    """Return the names of everything that listens, our own port left out."""
    return _names(rtmidi.MidiOut, api)


def choose_inputs(wanted: list[str], names: list[str], *, jack: bool) -> list[str]:
    """Return the inputs to open.

    Parameters
    ----------
    wanted : list of str
        Names or parts of names, upper and lower case alike; a part may mean several inputs. Empty means every
        controller that is plugged in.
    names : list of str
        What there is.
    jack : bool
        Whether these are JACK's names, where other programs stand beside controllers and are only heard when named.

    Raises
    ------
    MidiError
        If nothing has such a name.
    """
    if not wanted:
        found = [name for name in names if not name.startswith(_PASSING)]
        return [name for name in found if name.startswith(_HARDWARE)] if jack else found
    chosen: list[str] = []
    for part in wanted:
        exact = [name for name in names if name == part]
        matches = exact or [name for name in names if part.casefold() in name.casefold()]
        if not matches:
            raise MidiError(_unknown(part, names))
        chosen += [name for name in matches if name not in chosen]
    return chosen


class InputPort:
    """One open input, to be polled.

    Attributes
    ----------
    name : str
    """

    def __init__(self, name: str, port: Any) -> None:
        self.name = name
        self._port = port
        self.poll = port.get_message
        """Return (bytes, seconds since the message before), or None."""

    def close(self) -> None:
        """Let go of the port."""
        self._port.close_port()
        self._port.delete()


def open_input(name: str, api: int) -> InputPort:
    """Open an input by its full name.

    Raises
    ------
    MidiError
        If it has gone or belongs to somebody else.
    """
    port = _client(api)
    try:
        port.open_port(port.get_ports().index(name), name=name.partition(":")[0] or "in")
    except (ValueError, rtmidi.RtMidiError) as error:
        port.delete()
        reason = "it has gone" if isinstance(error, ValueError) else error
        raise MidiError(f"the MIDI input {name!r} cannot be opened ({reason}); connect it again.") from None
    return InputPort(name, port)


def open_own_port(api: int) -> InputPort | None:
    """Open our own port for others to connect to; None where the system has no such ports (Windows)."""
    if sys.platform == "win32":
        return None
    port = _client(api)
    try:
        port.open_virtual_port(CLIENT)
    except (NotImplementedError, rtmidi.RtMidiError):
        port.delete()
        return None
    return InputPort(CLIENT, port)


def _client(api: int) -> Any:
    # Polled, never called back: a Python callback in the MIDI system's real-time thread waits for Python's lock and
    # stops the sound of every program. Clock, sensing and system exclusive messages are not read at all.
    try:
        port = rtmidi.MidiIn(api, name=CLIENT, queue_size_limit=_QUEUE)
    except rtmidi.RtMidiError as error:
        raise MidiError(f"the MIDI system refuses a new port ({error}).") from None
    port.ignore_types(sysex=True, timing=True, active_sense=True)
    return port


def _answers(api: int) -> bool:
    try:
        port = rtmidi.MidiIn(api, name=CLIENT)
    except rtmidi.RtMidiError:
        return False
    port.delete()
    return True


def _names(kind: Any, api: int) -> list[str]:
    try:
        port = kind(api, name=CLIENT)
    except rtmidi.RtMidiError:
        return []
    try:
        return [str(name) for name in port.get_ports() if not str(name).startswith(f"{CLIENT}:")]
    finally:
        port.delete()


def _unknown(part: str, names: list[str]) -> str:
    if not names:
        return f"there is no MIDI input {part!r}; none is connected."
    folded = {name.casefold(): name for name in names}
    near = difflib.get_close_matches(part.casefold(), folded, n=3, cutoff=0.3)
    offered = [folded[name] for name in near] or names[:5]
    return f"there is no MIDI input {part!r}; did you mean {' or '.join(repr(name) for name in offered)}?"
