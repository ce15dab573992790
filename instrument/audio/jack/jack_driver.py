"""JACK calls the engine: sound, live input and MIDI in one compiled process callback."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.audio.device_output import Outlet
from instrument.audio.devices import CHANNELS, NATIVE, AudioDevice
from instrument.audio.driver import DeviceError, Driver, check_rate
from instrument.audio.jack.library import (
    AUDIO,
    IS_INPUT,
    IS_OUTPUT,
    IS_PHYSICAL,
    MIDI,
    JackClient,
    leaving,
)
from instrument.audio.output_channels import XY, Outputs

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.engine.engine import Engine

CLIENT = "Beamhand"
"""Name of the client and of its own MIDI input, into which other programs play."""

OWN_INPUT = 0
"""Place of our own MIDI input among the sources."""

_BACKEND = "system"
"""Client of jackd's own ports, whatever the hardware."""

_PATIENCE = 2.0

_abandoned: list[Any] = []
"""What a server that died may still write to; nobody can say when it has stopped."""


def jack_device() -> AudioDevice | None:
    """Return the JACK server as a device, or None where none answers."""
    try:
        # Under another name than whoever plays: of a client that comes, goes and comes again within a moment, others that
        # come meanwhile may keep what belonged to the first, and never let the second have its turn.
        client = JackClient(f"{CLIENT} asks")
    except DeviceError:
        return None
    try:
        heard, played = (client.ports(AUDIO, IS_PHYSICAL | end) for end in (IS_OUTPUT, IS_INPUT))
        behind = behind_of(played[0].name) if played else ""
        return AudioDevice(
            NATIVE, NATIVE.upper(), len(heard), len(played), client.rate, -1, default=True, behind=behind
        )
    finally:
        client.close()


def behind_of(port: str) -> str:
    """Return what a physical port says of its device: its client's name, and nothing where that is jackd's own.

    Examples
    --------
    >>> behind_of("Harbour Audio Analog Stereo:playback_FL"), behind_of("system:playback_1")
    ('Harbour Audio Analog Stereo', '')
    """
    client = port.partition(":")[0]
    return "" if client == _BACKEND else client


class JackDriver(Driver):
    """A client of the JACK server, with two outputs, MIDI ports, and two inputs where they are wanted.

    Messages that reach a MIDI input take effect on the frame that they carry, in the same period: the constant
    between a message's frame and its sample is 0.

    Parameters
    ----------
    engine : Engine
        Made for the server's rate. Its memory stays allocated until `close`.
    device : AudioDevice
        From `jack_device`.
    live : str or None
        Live input to open: part of a port's name, or empty for the machine's own; None opens none.
    outputs : Outputs
        Channels that the server gets.
    returning : bool
        Whether a performance goes on with it: what it gets is faded in, and resampled where the server runs at
        another rate, without live input then; one that is not back yet gives way to the machine's own.

    Raises
    ------
    DeviceError
        If no server answers, it runs at another rate and a performance is only to begin, or it refuses a port.

    Attributes
    ----------
    state : np.ndarray [dtype=jack_process.STATE]
        What the callback reads and writes.
    client : JackClient
    """

    jack = True
    silent = False

    def __init__(
        self,
        engine: Engine,
        device: AudioDevice,
        live: str | None = None,
        outputs: Outputs = XY,
        *,
        returning: bool = False,
    ) -> None:
        from instrument.audio.jack import process_callback as jack_process  # noqa: PLC0415 - compiled against the library, which may be missing

        self._compiled = jack_process
        self.name = device.label
        self._engine = engine
        # JACK prints what it notices; what matters of it is counted in the state.
        self.client = JackClient(CLIENT, jack_process.be_quiet.address)
        self.rate = check_rate(engine.rate)
        self._outputs = outputs
        self._outlet: Outlet | None = None
        self._began = False
        self._closed = False
        try:
            if returning or outputs != XY:
                self._outlet = Outlet(engine, outputs, self.client.rate)
                self.corrector = self._outlet.corrector
            if returning:
                self.rate = self.client.rate
            if self.client.rate != self.rate:
                raise DeviceError(
                    f"{self.name} refuses {engine.rate:g} Hz; it runs at {self.client.rate:g} "
                    f"(--rate {self.client.rate:g})."
                )
            self._make_state()
            self._set_callbacks()
            resamples = self.rate != engine.rate
            self._live = [] if live is None or resamples else self._live_ports(live, returning=returning)
        except DeviceError:
            self.client.close()
            raise

    def _make_state(self) -> None:
        self.state: npt.NDArray[np.void] = np.zeros((), self._compiled.STATE)
        self.state["own"] = self.state.ctypes.data
        self.state["memory"] = self._engine.memory.address
        self.state["rate"] = round(self.client.rate)
        self.state["period"] = self.client.period
        self.state["n_outputs"] = self._outputs.channels
        self.state["outlet"] = self._outlet.address if self._outlet is not None else 0
        self.state["per_frame"] = self._engine.rate / self.client.rate
        _abandoned.append((self.state, self._outlet))

    def _set_callbacks(self) -> None:
        library, handle, address = self.client.library, self.client.handle, self.state.ctypes.data
        compiled = self._compiled
        for set_callback, callback in (
            (library.jack_set_process_callback, compiled.process),
            (library.jack_set_xrun_callback, compiled.count_xrun),
            (library.jack_set_buffer_size_callback, compiled.note_period),
            (library.jack_set_sample_rate_callback, compiled.note_rate),
            (library.jack_set_port_registration_callback, compiled.note_port),
        ):
            if set_callback(handle, callback.address, address) != 0:
                raise DeviceError(f"{self.name} refuses a callback.")
        library.jack_on_shutdown(handle, compiled.note_shutdown.address, address)

    def _make_ports(self) -> None:
        # Only once the client is active: a port that can be seen but not connected is a trap for other programs.
        for k, name in enumerate(self._outputs.names):
            self.state["outputs"][k] = self.client.register(name, AUDIO, IS_OUTPUT)
        self.add_source(CLIENT, OWN_INPUT)
        for k in range(len(self._live)):
            self.state["inputs"][k] = self.client.register(f"in_{k + 1}", AUDIO, IS_INPUT)
        self.state["n_inputs"] = len(self._live)

    def _live_ports(self, live: str, *, returning: bool) -> list[str]:
        # Without a name, both inputs are made even if nothing can be connected to them yet.
        if not live:
            found = [port.name for port in self.client.ports(AUDIO, IS_OUTPUT | IS_PHYSICAL)]
            return [*found, "", ""][:CHANNELS]
        part = live.casefold()
        every = self.client.ports(AUDIO, IS_OUTPUT)
        for ports in (
            [port.name for port in every if port.name == live],
            [port.name for port in every if part in " ".join([port.name, *port.aliases]).casefold()],
        ):
            if ports:
                return ports[:CHANNELS]
        if returning:  # what played into it is not back yet
            return self._live_ports("", returning=returning)
        offered = " or ".join(repr(port.name) for port in every[:5]) or "none"
        raise DeviceError(f"there is no live input {live!r} in JACK; there is {offered}.")

    @property
    def block(self) -> int:
        """Frames of a period, which the server chooses and may change."""
        return int(self.state["period"])

    @property
    def latency(self) -> float:
        """Seconds from the callback to the output, as the server reports it."""
        if not self.running:
            return 0.0
        frames = self.client.playback_latency(int(self.state["outputs"][0]))
        return frames / self.rate

    @property
    def running(self) -> bool:
        """Whether the server calls; False also after it has ended."""
        return self._began and not self.gone

    @property
    def gone(self) -> bool:
        """Whether the server has ended."""
        return bool(self.state["gone"])

    @property
    def input_channels(self) -> int:
        """Channels of live input."""
        return len(self._live)

    @property
    def trouble(self) -> str:
        """What has become wrong while playing, in one sentence; otherwise empty."""
        now = int(self.state["rate"])
        if now == round(self.rate):
            return self._resampling()
        return (
            f"{self.name} has changed from {self.rate:g} to {now} Hz, which makes everything {now / self.rate:.3g} "
            "times as fast; start again to play at the new rate."
        )

    def _resampling(self) -> str:
        if self.rate == self._engine.rate:
            return ""
        return (
            f"{self.name} runs at {self.rate:g} Hz: what is played at {self._engine.rate:g} Hz is resampled, and the "
            "live input is silent; start again to play at the new rate."
        )

    def start(self) -> None:
        """Begin to be called, and connect to the machine's outputs and inputs.

        Raises
        ------
        DeviceError
            If the server refuses.
        """
        self.join()
        self.state["ready"] = 1

    def join(self) -> None:
        """Make and connect the ports, and let somebody else call the engine until `start`.

        Raises
        ------
        DeviceError
            If the server refuses.
        """
        if self.running:
            return
        if self.gone or self.client.library.jack_activate(self.client.handle) != 0:
            raise DeviceError(f"{self.name} does not start.")
        self._began = True
        if not self.state["outputs"][0]:
            self._make_ports()
        plugs = self.client.ports(AUDIO, IS_INPUT | IS_PHYSICAL)
        for port, plug in zip(self._output_ports(), plugs, strict=False):
            self.client.connect(self.client.port_name(port), plug.name)
        for port, source in zip(self.state["inputs"].tolist(), self._live, strict=False):
            if source:
                self.client.connect(source, self.client.port_name(port))

    def _output_ports(self) -> list[int]:
        return [int(port) for port in self.state["outputs"][: self._outputs.channels]]

    def stop(self) -> None:
        """Stop being called; returns when the last call has ended."""
        if self.running:
            self.client.library.jack_deactivate(self.client.handle)
        self._began = False

    def close(self) -> None:
        """Stop, and end the client."""
        if self._closed:
            return
        self._closed = True
        gone = self.gone
        # Of a server that has died, JACK's library tidies up as well, so that another can be joined; but whoever
        # waits for it must not wait for ever, and what its threads write to is kept.
        ending = threading.Thread(target=self._end, name="jack ends", daemon=True)
        if gone:
            leaving.append(ending)
        ending.start()
        ending.join(_PATIENCE if gone else None)
        if not gone:
            # By identity: comparing records compares their fields.
            _abandoned[:] = [kept for kept in _abandoned if kept[0] is not self.state]

    def _end(self) -> None:
        self.stop()
        self.client.close()

    def add_source(self, name: str, number: int) -> int:
        """Make a MIDI input of our own, whose messages carry a number from 0 to 255; return its place.

        Raises
        ------
        DeviceError
            If there are as many as there can be.
        """
        place = int(self.state["n_sources"])
        if place == self._compiled.PORTS:
            raise DeviceError(f"{place} MIDI inputs are open, and there can be no more.")
        self.state["numbers"][place] = number
        self.state["sources"][place] = self.client.register(name, MIDI, IS_INPUT)
        self.state["n_sources"] = place + 1
        return place

    def add_target(self, name: str) -> int:
        """Make a MIDI output of our own and return its place.

        Raises
        ------
        DeviceError
            If there are as many as there can be.
        """
        place = int(self.state["n_targets"])
        if place == self._compiled.PORTS:
            raise DeviceError(f"{place} MIDI outputs are open, and there can be no more.")
        self.state["targets"][place] = self.client.register(name, MIDI, IS_OUTPUT)
        self.state["n_targets"] = place + 1
        return place

    def send(self, target: int, message: tuple[int, ...], time: int = 0) -> bool:
        """Send a message of one to three bytes on a sample (0: at once); False if too many wait.

        Called by one thread alone, messages in order of time.

        Raises
        ------
        ValueError
            If the message is longer.
        """
        if not 1 <= len(message) <= 3:
            raise ValueError(f"a message of {len(message)} bytes cannot be sent; 1 to 3 can.")
        tail = int(self.state["out_tail"])
        if tail - int(self.state["out_head"]) >= self._compiled.OUT_EVENTS:
            return False
        row = self.state["outbox"][tail % self._compiled.OUT_EVENTS]
        row["time"], row["port"], row["size"] = time, target, len(message)
        row["data"][: len(message)] = message
        self._compiled.publish(self.state.ctypes.data)
        return True

    def plug(self, place: int, source: str) -> bool:
        """Connect a port to one of our MIDI inputs; return whether it is connected."""
        return self.client.connect(source, self.client.port_name(int(self.state["sources"][place])))

    def is_fed(self, place: int, source: str) -> bool:
        """Return whether a port is connected to one of our MIDI inputs."""
        return self.running and self.client.is_connected(int(self.state["sources"][place]), source)

    def unplug(self, place: int, source: str) -> None:
        """Disconnect a port from one of our MIDI inputs, if it still is."""
        if self.is_fed(place, source):
            self.client.disconnect(source, self.client.port_name(int(self.state["sources"][place])))

    def connect_target(self, place: int, target: str) -> bool:
        """Connect one of our MIDI outputs to a port; return whether it is connected."""
        return self.client.connect(self.client.port_name(int(self.state["targets"][place])), target)

    def feeds(self, place: int, target: str) -> bool:
        """Return whether one of our MIDI outputs is connected to a port."""
        return self.running and self.client.is_connected(int(self.state["targets"][place]), target)

    def disconnect_target(self, place: int, target: str) -> None:
        """Disconnect one of our MIDI outputs from a port, if it still is connected."""
        if self.feeds(place, target):
            self.client.disconnect(self.client.port_name(int(self.state["targets"][place])), target)

    def push(self, event: npt.NDArray[np.void]) -> None:
        """Hand an event (`layout.EVENT`) of another system's port to the callback, which has room for it."""
        self._compiled.push(self.state.ctypes.data, event.ctypes.data)
