"""JACK calls the engine: sound, live input and MIDI in one compiled process callback."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.audio.device_output import Outlet
from instrument.audio.devices import CHANNELS, NATIVE
from instrument.audio.driver import STALL_SECONDS, DeviceError, Driver, Heartbeat, check_rate
from instrument.audio.jack.connections import Connections, device_ports
from instrument.audio.jack.library import AUDIO, IS_INPUT, IS_OUTPUT, MIDI, JackClient, JackPort, is_pipewire
from instrument.audio.jack.server import CLIENT, behind_of
from instrument.audio.output_channels import XY, Outputs

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.audio.devices import AudioDevice
    from instrument.engine.engine import Engine

OWN_INPUT = 0
"""Place of our own MIDI input among the sources."""

_PATIENCE = 2.0
"""Seconds that a server has to let go of us."""

_FADE_SECONDS = 0.02
"""As where a device begins (`device_output`)."""

_abandoned: list[Any] = []
"""Memory that a server that died may still write to; nobody can say when it has stopped."""


class JackDriver(Driver):
    """A client of the JACK server, with two outputs, MIDI ports, and two inputs where they are wanted.

    Messages that reach a MIDI input take effect on the frame that they carry, in the same period: the constant
    between a message's frame and its sample is 0.

    Parameters
    ----------
    engine : Engine
        Made for the server's rate. Its memory stays allocated until `close`.
    device : AudioDevice
        From `jack_devices`.
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
        # The server itself stands for whatever it plays through by default, any other name for that device alone.
        self._target = "" if device.name == NATIVE else device.name
        self._device = device.behind
        self._wanted_live = live
        self._returning = returning
        self._connections: Connections | None = None
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
            self._n_inputs = self._count_inputs(live)
        except DeviceError:
            self.client.close()
            raise

    def _make_state(self) -> None:
        self.state: npt.NDArray[np.void] = np.zeros((), self._compiled.STATE)
        self.state["own"] = self.state.ctypes.data
        self.state["memory"] = self._engine.memory.address
        self.state["rate"] = round(self.client.rate)
        self.state["period"] = self.client.period
        self.state["due_frame"] = -1
        # PipeWire's library tells of no period that is lost; jackd does, and its frames jump for other reasons too.
        self.state["client"] = self.client.handle if is_pipewire() else 0
        self.state["outlet"] = self._outlet.address if self._outlet is not None else 0
        self.state["per_frame"] = self._engine.rate / self.client.rate
        self._heartbeat = Heartbeat(lambda: int(self.state["calls"]))
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
        self.state["n_outputs"] = self._outputs.channels
        self.add_source(CLIENT, OWN_INPUT)
        for k in range(self._n_inputs):
            self.state["inputs"][k] = self.client.register(f"in_{k + 1}", AUDIO, IS_INPUT)
        self.state["n_inputs"] = self._n_inputs

    def _count_inputs(self, live: str | None) -> int:
        # Without a name, both inputs are made even if nothing can be connected to them yet.
        if live is None or self.rate != self._engine.rate:
            return 0
        if not live or self._returning:
            return CHANNELS
        if found := self._live_ports():
            return len(found)
        every = self.client.ports(AUDIO, IS_OUTPUT)
        offered = " or ".join(repr(port.name) for port in every[:5]) or "none"
        raise DeviceError(f"there is no live input {live!r} in JACK; there is {offered}.")

    def _live_ports(self) -> list[JackPort]:
        found: list[JackPort] = []
        if wanted := self._wanted_live:
            part = wanted.casefold()
            every = self.client.ports(AUDIO, IS_OUTPUT)
            found = [port for port in every if port.name == wanted] or [
                port for port in every if part in " ".join([port.name, *port.aliases]).casefold()
            ]
        if not found and (not wanted or self._returning):  # the machine's own, until what was named is back
            found = device_ports(self.client, IS_OUTPUT)
        return found[:CHANNELS]

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
        """Whether the server has ended, or leaves a question without an answer."""
        return bool(self.state["gone"]) or self.client.hung

    @property
    def lost(self) -> str:
        """Why it has to be left, or joined anew; empty while it plays."""
        now = int(self.state["rate"])
        if self.client.hung or (self.running and not self._heartbeat.beats):
            return f"{self.name} does not answer"
        if self.running and now != round(self.rate):
            return f"{self.name} has changed from {self.rate:g} to {now} Hz"
        return super().lost

    @property
    def device(self) -> str:
        """Client that is played into, where its name is that of a device; the latest one while there is none."""
        return self._device

    @property
    def input_channels(self) -> int:
        """Channels of live input."""
        return self._n_inputs

    @property
    def trouble(self) -> str:
        """One sentence on a fault while playing; empty without one."""
        if self._connections is not None and self._connections.unheard:
            device = self._target or self._device or "any device"
            return f"{self.name} is connected to nothing, and nobody hears it: it goes on as soon as {device} is there."
        if self.rate == self._engine.rate:
            return ""
        return (
            f"{self.name} runs at {self.rate:g} Hz: what is played at {self._engine.rate:g} Hz is resampled, and the "
            "live input is silent; start again to play at the new rate."
        )

    def poll(self) -> str:
        """Connect what has come, or what the server plays through now; return a sentence of it."""
        if self._connections is None or not self.running:
            return ""
        before = self._device
        try:
            anew = self._connections.poll()
        except DeviceError:  # `lost` tells of it
            return ""
        if not anew:
            return ""
        self._fade_in()
        self._device = behind_of(f"{self._connections.device}:")
        if self._device == before:
            return f"{self._device or self.name} is there again, and played into."
        return f"{self.name} plays into {self._device or self.name} now."

    @property
    def heard(self) -> bool:
        """Whether anything is connected to the outputs."""
        return self._connections is not None and self._connections.heard

    def _fade_in(self) -> None:
        self.state["fade_length"] = self.state["fade_left"] = round(_FADE_SECONDS * self.rate)

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
        if self.gone or not self.client.activate():
            raise DeviceError(f"{self.name} does not start.")
        self._began = True
        if self._connections is None:
            self._make_ports()
            inputs = [int(port) for port in self.state["inputs"][: self._n_inputs]]
            self._connections = Connections(self.client, self._output_ports(), inputs, self._target, self._live_ports)
        self._connections.poll()
        self._device = behind_of(f"{self._connections.device}:") or self._device

    def _output_ports(self) -> list[int]:
        return [int(port) for port in self.state["outputs"][: self._outputs.channels]]

    def stop(self) -> None:
        """Stop being called; returns when the last call has ended."""
        if self.running:
            self.client.deactivate()
        self._began = False

    def leave(self) -> None:
        """Call the engine no more, for good; the server is left by `close`."""
        self.state["ready"] = 0
        deadline = time.monotonic() + STALL_SECONDS
        while self.state["inside"] and time.monotonic() < deadline:
            time.sleep(0.001)

    def close(self) -> None:
        """Stop, and end the client."""
        if self._closed:
            return
        self._closed = True
        self._began = False
        # Of a server that has died, JACK's library tidies up as well, so that another can be joined; but whoever
        # waits for it must not wait for ever, and what its threads write to is kept.
        gone = self.gone
        if self.client.close(_PATIENCE) and not gone:
            # By identity: comparing records compares their fields.
            _abandoned[:] = [kept for kept in _abandoned if kept[0] is not self.state]

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
