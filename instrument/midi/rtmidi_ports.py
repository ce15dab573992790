"""Ports through rtmidi: which there are, opening them by name, and one of our own that others connect to."""

from __future__ import annotations

import sys
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from instrument.midi.message_decoder import MidiError
from instrument.midi.port_names import PortInfo, jack_port_info

try:
    import rtmidi
except ImportError:  # it has no wheel for newer Pythons, and not everybody can build one
    rtmidi = None

if TYPE_CHECKING:
    from instrument.midi.polling import MidiPoll

CLIENT = "Beamhand"
"""Name of our own port, and of the client that owns it where the system has clients."""

_QUEUE = 16_384
"""Messages the port holds until they are polled: more than a MIDI cable carries in ten seconds."""


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
    if rtmidi is None:
        raise MidiError(
            "python-rtmidi is not installed, so no controller is heard but through JACK; the computer keyboard plays."
        )
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
        with suppress(rtmidi.RtMidiError):
            self._port.close_port()
        self._port.delete()


class OutputPort:
    """One open output; what is sent and its end may come from different threads.

    Parameters
    ----------
    port
        Of rtmidi.
    """

    def __init__(self, port: Any) -> None:
        self._port = port
        self._one_at_a_time = threading.Lock()

    def send(self, message: tuple[int, ...]) -> None:
        """Send a message; one that has gone takes it in silence."""
        with self._one_at_a_time, suppress(rtmidi.RtMidiError):
            if self._port is not None:
                self._port.send_message(message)

    def is_there(self) -> bool:
        """Return True: rtmidi does not tell whether a port has lost its other end."""
        return True

    def close(self) -> None:
        """Let go of the port."""
        with self._one_at_a_time:
            port, self._port = self._port, None
            with suppress(rtmidi.RtMidiError):
                port.close_port()
            port.delete()


class PolledInput:
    """A port while it is being polled.

    Parameters
    ----------
    port : InputPort
    poll : MidiPoll
    number : int
    """

    def __init__(self, port: InputPort, poll: MidiPoll, number: int) -> None:
        self._port = port
        self._poll = poll
        self.held = poll.add(port, number)

    def is_there(self) -> bool:
        """Return True: rtmidi does not tell whether a port has lost its other end."""
        return True

    def close(self) -> int:
        """Close the port and return the sample behind its messages."""
        self._poll.drop(self._port)
        self._port.close()
        return self._poll.last + 1


class RtmidiSystem:
    """The ports that rtmidi knows through one of its systems.

    Parameters
    ----------
    api : int
        rtmidi's number of the system.
    poll : MidiPoll
        Takes the messages.
    """

    def __init__(self, api: int, poll: MidiPoll) -> None:
        self._api = api
        self._poll = poll
        self._lister: Any = None
        self._target_lister: Any = None

    def list_inputs(self) -> list[PortInfo]:
        """Return what could play into us now; nothing if the system does not answer."""
        try:
            if self._lister is None:
                # Kept open: a new client for every look would be news to every other program.
                self._lister = _client(self._api, f"{CLIENT} looks around")
            # None of our own, whatever their clients are called: what we send must not play us.
            names = [str(name) for name in self._lister.get_ports() if not str(name).startswith(CLIENT)]
        except (MidiError, rtmidi.RtMidiError):
            return []
        return [jack_port_info(name) if is_jack(self._api) else PortInfo(name) for name in names]

    def end(self) -> None:
        """Let go of what looks around; what was opened is closed by whoever opened it."""
        listers, self._lister, self._target_lister = (self._lister, self._target_lister), None, None
        for lister in listers:
            if lister is not None:
                lister.delete()

    def open_own_port(self, number: int) -> PolledInput | None:
        """Open a port of our own; None where the system has no such ports."""
        port = open_own_port(self._api)
        return PolledInput(port, self._poll, number) if port is not None else None

    def list_outputs(self) -> list[PortInfo]:
        """Return everything that listens; nothing if the system does not answer."""
        try:
            if self._target_lister is None:
                self._target_lister = rtmidi.MidiOut(self._api, name=f"{CLIENT} looks around")
            names = [str(name) for name in self._target_lister.get_ports() if not str(name).startswith(CLIENT)]
        except rtmidi.RtMidiError:
            return []
        return [jack_port_info(name) if is_jack(self._api) else PortInfo(name) for name in names]

    def open_output(self, plug: PortInfo) -> OutputPort:
        """Open an output.

        Raises
        ------
        MidiError
            If it has gone or belongs to somebody else.
        """
        return open_output(plug.name, self._api)

    def open(self, plug: PortInfo, number: int) -> PolledInput:
        """Open an input.

        Raises
        ------
        MidiError
            If it has gone or belongs to somebody else.
        """
        return PolledInput(open_input(plug.name, self._api), self._poll, number)


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


def open_output(name: str, api: int) -> OutputPort:
    """Open an output by its full name.

    Raises
    ------
    MidiError
        If it has gone or belongs to somebody else.
    """
    try:
        port = rtmidi.MidiOut(api, name=f"{CLIENT} shows")
    except rtmidi.RtMidiError as error:
        raise MidiError(f"the MIDI system refuses a new port ({error}).") from None
    try:
        port.open_port(port.get_ports().index(name), name=name.partition(":")[0] or "out")
    except (ValueError, rtmidi.RtMidiError) as error:
        port.delete()
        reason = "it has gone" if isinstance(error, ValueError) else error
        raise MidiError(f"the MIDI output {name!r} cannot be opened ({reason}); connect it again.") from None
    return OutputPort(port)


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


def _client(api: int, name: str = CLIENT) -> Any:
    # Polled, never called back: a Python callback in the MIDI system's real-time thread waits for Python's lock and
    # stops the sound of every program. Sensing and system exclusive messages are not read at all.
    try:
        port = rtmidi.MidiIn(api, name=name, queue_size_limit=_QUEUE)
    except rtmidi.RtMidiError as error:
        raise MidiError(f"the MIDI system refuses a new port ({error}).") from None
    port.ignore_types(sysex=True, timing=False, active_sense=True)
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
