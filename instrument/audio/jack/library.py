"""The JACK library of the system, loaded when it is needed; a machine without it only has no JACK."""

from __future__ import annotations

import ctypes
import ctypes.util
import functools
import sys
from contextlib import nullcontext, suppress
from typing import TYPE_CHECKING, Any, NamedTuple

from instrument.audio.bounded_calls import BoundedCalls
from instrument.audio.driver import DeviceError
from instrument.common.quiet_libraries import quiet_libraries

if TYPE_CHECKING:
    import threading

AUDIO = b"32 bit float mono audio"
MIDI = b"8 bit raw midi"
"""JACK_DEFAULT_AUDIO_TYPE and JACK_DEFAULT_MIDI_TYPE (jack/types.h)."""

IS_INPUT, IS_OUTPUT, IS_PHYSICAL = 1, 2, 4
"""JackPortFlags (jack/types.h)."""

PLAYBACK_LATENCY = 1
"""JackLatencyCallbackMode (jack/types.h)."""

_NO_START_SERVER = 1
"""JackOptions (jack/types.h)."""

_EXISTS = 17
"""EEXIST of <errno.h>, which jack_connect returns for a connection that is there already."""

_OPEN_SECONDS = 5.0
"""Time that a server has to take a client in; jackd's own library gives up after about as long."""

_ANSWER_SECONDS = 2.0
"""Time that it has for anything else. One that is well answers within milliseconds."""

_ALIAS_BYTES = 1024
"""More than jack_port_name_size returns for any server in use."""

_NAMES = {"win32": ("libjack64.dll",), "darwin": ("libjack.0.dylib", "/usr/local/lib/libjack.0.dylib")}

_pointer, _text, _int, _uint = ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int, ctypes.c_uint32
_SIGNATURES: dict[str, tuple[Any, list[Any]]] = {
    "jack_client_open": (_pointer, [_text, _int, _pointer]),
    "jack_client_close": (_int, [_pointer]),
    "jack_get_client_name": (_text, [_pointer]),
    "jack_activate": (_int, [_pointer]),
    "jack_deactivate": (_int, [_pointer]),
    "jack_get_sample_rate": (_uint, [_pointer]),
    "jack_get_buffer_size": (_uint, [_pointer]),
    "jack_set_process_callback": (_int, [_pointer, _pointer, _pointer]),
    "jack_set_xrun_callback": (_int, [_pointer, _pointer, _pointer]),
    "jack_set_buffer_size_callback": (_int, [_pointer, _pointer, _pointer]),
    "jack_set_sample_rate_callback": (_int, [_pointer, _pointer, _pointer]),
    "jack_set_port_registration_callback": (_int, [_pointer, _pointer, _pointer]),
    "jack_on_shutdown": (None, [_pointer, _pointer, _pointer]),
    "jack_set_error_function": (None, [_pointer]),
    "jack_set_info_function": (None, [_pointer]),
    "jack_port_register": (_pointer, [_pointer, _text, _text, ctypes.c_ulong, ctypes.c_ulong]),
    "jack_port_name": (_text, [_pointer]),
    "jack_port_by_name": (_pointer, [_pointer, _text]),
    "jack_port_flags": (_int, [_pointer]),
    "jack_port_get_aliases": (_int, [_pointer, ctypes.POINTER(_pointer)]),
    "jack_port_connected": (_int, [_pointer]),
    "jack_port_connected_to": (_int, [_pointer, _text]),
    "jack_port_uuid": (ctypes.c_uint64, [_pointer]),
    "jack_port_get_latency_range": (None, [_pointer, _int, _pointer]),
    "jack_connect": (_int, [_pointer, _text, _text]),
    "jack_disconnect": (_int, [_pointer, _text, _text]),
    "jack_get_ports": (ctypes.POINTER(_text), [_pointer, _text, _text, ctypes.c_ulong]),
    "jack_free": (None, [_pointer]),
}

PROCESS_FUNCTIONS = (
    "jack_last_frame_time",
    "jack_port_get_buffer",
    "jack_midi_get_event_count",
    "jack_midi_event_get",
    "jack_midi_clear_buffer",
    "jack_midi_event_write",
)
"""Functions that the compiled process callback calls by itself; all of them may be called there (jack/midiport.h)."""


leaving: list[threading.Thread] = []
"""Those that take leave of servers that have died.

JACK's library knows the semaphores of a process's clients by their numbers alone, whatever server they are of. Whoever
leaves a dead server after a new one has been joined takes the new client's semaphore along: that client is never called
again, and crashes the process when it leaves in its turn (seen with jackd 1.9.21)."""


@functools.cache
def load_jack() -> Any:
    """Return libjack with its functions' types declared.

    Raises
    ------
    DeviceError
        If it is not installed.
    """
    found = ctypes.util.find_library("jack")
    for name in (*_NAMES.get(sys.platform, ("libjack.so.0",)), *([found] if found else ())):
        try:
            library = ctypes.CDLL(name)
        except OSError:
            continue
        for function, (result, arguments) in _SIGNATURES.items():
            declared = getattr(library, function)
            declared.restype, declared.argtypes = result, arguments
        return library
    raise DeviceError("the JACK library is not installed; install it (Debian: apt install libjack-jackd2-0).")


def is_pipewire() -> bool:
    """Return whether the library is that of PipeWire's JACK layer."""
    library = load_jack()
    try:
        told = library.jack_get_version_string
    except AttributeError:  # JACK 1
        return False
    told.restype = _text
    return b"PipeWire" in (told() or b"")


def process_function(name: str) -> int:
    """Return the address of one of `PROCESS_FUNCTIONS`.

    Raises
    ------
    DeviceError
        If the library is not installed.
    """
    return int(ctypes.cast(getattr(load_jack(), name), ctypes.c_void_p).value or 0)


class JackPort(NamedTuple):
    """A port of any client.

    Attributes
    ----------
    name : str
        Client and port with a colon between them.
    aliases : tuple of str
        Other names, among them the device's own where the port's is only a number.
    physical : bool
        Whether it is a plug of the machine.
    number : int
        Its own among all that the server has had: a port that is made again has another.
    """

    name: str
    aliases: tuple[str, ...]
    physical: bool
    number: int = 0

    @property
    def client(self) -> str:
        """Name of its client."""
        return self.name.partition(":")[0]


class JackClient:
    """A client of a JACK server that runs already; none is ever started.

    Parameters
    ----------
    name : str
        The server numbers it where the name is taken.
    silence : int, optional
        Address of a C function that takes, from now on, each text that JACK would print. By default standard error
        goes nowhere while the client is opened, and with it what other threads say meanwhile.

    Raises
    ------
    DeviceError
        If no server answers, the library is not installed, or somebody still takes leave of a server that has died.
    """

    def __init__(self, name: str, silence: int | None = None) -> None:
        self.library = load_jack()
        leaving[:] = [thread for thread in leaving if thread.is_alive()]
        if leaving and not is_pipewire():
            raise DeviceError("a JACK server that has died is still being left; wait a moment.")
        if silence is not None:
            self.library.jack_set_error_function(silence)
            self.library.jack_set_info_function(silence)
        self.calls = BoundedCalls("the JACK server")
        self._active = False
        with quiet_libraries() if silence is None else nullcontext():
            self.handle = self.calls.ask(
                lambda: self.library.jack_client_open(name.encode(), _NO_START_SERVER, None),
                _OPEN_SECONDS,
                self._give_back,
            )
        if not self.handle:
            self.calls.finish(lambda: None, 0.0)
            raise DeviceError("no JACK server answers; start one, or choose another device.")
        self.name = str(self.library.jack_get_client_name(self.handle).decode())

    def _give_back(self, handle: int | None) -> None:
        if handle:
            self.library.jack_client_close(handle)

    @property
    def hung(self) -> bool:
        """Whether the server has left a question without an answer; no more are asked then."""
        return self.calls.hung

    @property
    def rate(self) -> float:
        """The server's sample rate in hertz."""
        return float(self.library.jack_get_sample_rate(self.handle))

    @property
    def period(self) -> int:
        """The server's period in frames."""
        return int(self.library.jack_get_buffer_size(self.handle))

    def register(self, name: str, kind: bytes, flags: int) -> int:
        """Make a port of our own and return its handle.

        Raises
        ------
        DeviceError
            If the server has no room for it, or does not answer.
        """
        port = self.calls.ask(
            lambda: self.library.jack_port_register(self.handle, name.encode(), kind, flags, 0),
            _ANSWER_SECONDS,
        )
        if not port:
            raise DeviceError(f"JACK refuses the port {self.name}:{name}; its table of ports may be full.")
        return int(port)

    def ports(self, kind: bytes, flags: int) -> list[JackPort]:
        """Return the ports of other clients that have all of these flags, in the server's order.

        Raises
        ------
        DeviceError
            If the server does not answer.
        """
        found: list[JackPort] = self.calls.ask(lambda: self._ports(kind, flags), _ANSWER_SECONDS)
        return found

    def _ports(self, kind: bytes, flags: int) -> list[JackPort]:
        listed = self.library.jack_get_ports(self.handle, None, kind, flags)
        if not listed:
            return []
        names: list[bytes] = []
        while (name := listed[len(names)]) is not None:
            names.append(name)
        self.library.jack_free(listed)
        own = f"{self.name}:".encode()
        return [found for name in names if not name.startswith(own) for found in self._described(name)]

    def _described(self, name: bytes) -> list[JackPort]:
        port = self.library.jack_port_by_name(self.handle, name)
        if not port:
            return []  # it has gone meanwhile
        rooms = [ctypes.create_string_buffer(_ALIAS_BYTES) for _ in range(2)]
        pair = (ctypes.c_void_p * 2)(*[ctypes.addressof(room) for room in rooms])
        count = self.library.jack_port_get_aliases(port, pair)
        aliases = tuple(room.value.decode(errors="replace") for room in rooms[: max(count, 0)])
        physical = bool(self.library.jack_port_flags(port) & IS_PHYSICAL)
        number = int(self.library.jack_port_uuid(port))
        return [JackPort(name.decode(errors="surrogateescape"), aliases, physical, number)]

    def connect(self, source: str, target: str) -> bool:
        """Connect two ports by name; return whether they are connected now."""
        ends = [name.encode(errors="surrogateescape") for name in (source, target)]
        with suppress(DeviceError):
            asked = self.calls.ask(lambda: self.library.jack_connect(self.handle, *ends), _ANSWER_SECONDS)
            return asked in {0, _EXISTS}
        return False

    def disconnect(self, source: str, target: str) -> None:
        """Disconnect two ports, if they are connected."""
        ends = [name.encode(errors="surrogateescape") for name in (source, target)]
        with suppress(DeviceError):
            self.calls.ask(lambda: self.library.jack_disconnect(self.handle, *ends), _ANSWER_SECONDS)

    def port_name(self, port: int) -> str:
        """Return the full name of a port of our own."""
        return str(self.library.jack_port_name(port).decode(errors="surrogateescape"))

    def is_connected(self, port: int, other: str) -> bool:
        """Return whether a port of our own is connected to another one."""
        return bool(self.library.jack_port_connected_to(port, other.encode(errors="surrogateescape")))

    def is_used(self, port: int) -> bool:
        """Return whether a port of our own is connected to anything."""
        return bool(self.library.jack_port_connected(port))

    def playback_latency(self, port: int) -> int:
        """Return the frames between an output port of our own and the plug behind it, at most."""
        found = (ctypes.c_uint32 * 2)()
        self.library.jack_port_get_latency_range(port, PLAYBACK_LATENCY, found)
        return int(found[1])

    def activate(self) -> bool:
        """Begin to be called; return whether the server agrees."""
        with suppress(DeviceError):
            self._active = self.calls.ask(lambda: self.library.jack_activate(self.handle), _OPEN_SECONDS) == 0
        return self._active

    def deactivate(self) -> None:
        """Stop being called; returns when the last call has ended, or the server does not answer."""
        if self._active:
            self._active = False
            with suppress(DeviceError):
                self.calls.ask(lambda: self.library.jack_deactivate(self.handle), _ANSWER_SECONDS)

    def close(self, seconds: float = _OPEN_SECONDS) -> bool:
        """End the client; return whether it has ended within a time. One that has not is left to its thread."""
        if not self.handle:
            return True
        handle, self.handle = self.handle, None

        def end() -> None:
            if self._active:
                self.library.jack_deactivate(handle)
            self.library.jack_client_close(handle)

        ended = self.calls.finish(end, seconds)
        if not ended:
            leaving.append(self.calls.thread)
        return ended
