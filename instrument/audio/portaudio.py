"""PortAudio calls the engine's compiled callback; no Python runs on the way."""

from __future__ import annotations

import atexit
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from instrument.audio.bounded_calls import BoundedCalls
from instrument.audio.c_messages import slow_down_c_messages, swallow_c_messages
from instrument.audio.device_output import Outlet
from instrument.audio.device_probe import devices_anew
from instrument.audio.devices import (
    CHANNELS,
    AudioDevice,
    audio_devices,
    find_input,
    find_output,
    load_portaudio,
    streams_left_behind,
)
from instrument.audio.driver import DeviceError, Driver, Heartbeat, check_block, check_rate
from instrument.audio.output_channels import XY, Outputs
from instrument.audio.stream_gate import GATE_ADDRESS, StreamGate
from instrument.common.quiet_libraries import quiet_libraries
from instrument.engine.memory.views import counters

if TYPE_CHECKING:
    from instrument.engine.engine import Engine

USUAL_BLOCK = 64
"""Frames where nobody asked for a size; a JACK server's own period is taken instead."""

_SERVER_PERIOD = 0
"""paFramesPerBufferUnspecified: blocks as long as the device's own."""

_OPEN_SECONDS = 10.0
"""Time that a device has to open or to start; a wireless one wakes up first."""

_END_SECONDS = 2.0
"""Time that it has to end."""


class PortAudioDriver(Driver):
    """A stream of two float32 channels to one device.

    Parameters
    ----------
    engine : Engine
        Made for the rate that the device is to run at. Its memory stays allocated until `close`.
    device : AudioDevice
    block : int, optional
        Frames, 16 to 2048; by default what suits the device.
    live : AudioDevice, optional
        Live input, one or two channels of which are handed to the engine; none by default.
    outputs : Outputs
        Channels that the device gets.
    rate : float, optional
        Where a performance goes on with a device that has returned: the rate at which it is opened. What it gets is
        faded in, and resampled if that is not the engine's, without live input then.
    buffers : {"low", "high"}
        How much the device holds ready: as little as PortAudio finds good for it, or what it finds safe.

    Raises
    ------
    DeviceError
        If the device refuses the rate, the block or to be opened at all.
    """

    silent = False

    def __init__(
        self,
        engine: Engine,
        device: AudioDevice,
        block: int | None = None,
        live: AudioDevice | None = None,
        outputs: Outputs = XY,
        rate: float | None = None,
        buffers: str = "low",
    ) -> None:
        self.name = device.label
        self.jack = device.jack
        self.rate = check_rate(engine.rate if rate is None else rate)
        if outputs.channels > device.outputs:
            raise DeviceError(
                f"{device.label} has {device.outputs} outputs; for --outputs {outputs} there have to be "
                f"{outputs.channels}."
            )
        swallow_c_messages()
        self._outlet = Outlet(engine, outputs, self.rate) if rate is not None or outputs != XY else None
        self.corrector = self._outlet.corrector if self._outlet is not None else None
        live = None if self.rate != engine.rate else live
        self._engine = engine
        self._block = check_block(block) if block is not None else USUAL_BLOCK
        if block is None and device.jack:
            self._block = _SERVER_PERIOD
        self._channels = min(live.inputs, CHANNELS) if live is not None else 0
        self._buffers = buffers
        self._gate = StreamGate(engine, self._outlet, outputs.channels)
        self._heartbeat = Heartbeat(lambda: self._gate.calls)
        self._calls = BoundedCalls(device.label)
        self._closed = False
        with quiet_libraries():
            self._stream = self._calls.ask(
                lambda: self._open(device, live), _OPEN_SECONDS, lambda late: late.close(ignore_errors=True)
            )
        engine.record["input_channels"] = self._channels

    @property
    def input_channels(self) -> int:
        """Channels of live input that are open: 0, 1 or 2."""
        return self._channels

    @property
    def block(self) -> int:
        """Frames of one block; where the server chooses, the largest so far (0 before the first)."""
        return self._block or int(counters(self._engine.record)["largest_block"])

    @property
    def lost(self) -> str:
        """Why it has to be left: it has stopped by itself, or asks for no more sound; empty while it plays."""
        if self.running and not self._heartbeat.beats:
            return f"{self.name} does not answer"
        return super().lost

    @property
    def began(self) -> bool:
        """Whether the device has asked for a block, of sound or of the silence before `start`."""
        return self._heartbeat.began

    @property
    def trouble(self) -> str:
        """One sentence on a fault while playing; empty without one."""
        if self.rate == self._engine.rate:
            return ""
        return f"{self.name} runs at {self.rate:g} Hz: what is played at {self._engine.rate:g} Hz is resampled."

    @property
    def latency(self) -> float:
        """Seconds from the callback to the output, as PortAudio reports it."""
        latency = self._stream.latency
        return float(latency[1] if self._channels else latency)

    @property
    def running(self) -> bool:
        """Whether PortAudio calls; False also after the device has gone."""
        return bool(self._stream.active)

    def start(self) -> None:
        """Begin to call the engine.

        Raises
        ------
        DeviceError
            If the device refuses.
        """
        self.join()
        self._gate.open()

    def join(self) -> None:
        """Begin to hand out silence, and let somebody else call the engine until `start`.

        Raises
        ------
        DeviceError
            If the device refuses.
        """
        if self.running:
            return
        error = load_portaudio().PortAudioError
        try:
            with quiet_libraries():
                self._calls.ask(self._stream.start, _OPEN_SECONDS)
        except error as refusal:
            raise DeviceError(f"{self.name} does not start ({_reason(refusal)}).") from None

    def stop(self) -> None:
        """Stop calling the engine; returns when the last call has ended, whether or not the device answers."""
        with suppress(DeviceError):
            self._calls.ask(lambda: self._stream.stop(ignore_errors=True), _END_SECONDS)
        self._gate.hush()

    def leave(self) -> None:
        """Call the engine no more, for good, without waiting for the device; returns when the last call has ended."""
        self._gate.shut()

    def close(self) -> None:
        """Stop, and let go of the device; one that does not answer is left behind with its thread."""
        if self._closed:
            return
        self._closed = True
        self._gate.hush()
        # Of a JACK server that has died PortAudio would wait for ever, here and at the end of the process.
        died = self.jack and not self._stream.active and not self._stream.stopped
        last = (lambda: None) if died else self._end
        if not self._calls.finish(last, _END_SECONDS) or died:
            self._leave_behind()

    def _end(self) -> None:
        # A device that asks for no more sound may be one that waits for it to come: that wait can be broken off.
        end = self._stream.stop if self._heartbeat.beats else self._stream.abort
        end(ignore_errors=True)
        # Too late it would get in the way of whoever opens another stream meanwhile: PortAudio knows no threads.
        if self not in streams_left_behind:
            self._stream.close(ignore_errors=True)

    def _leave_behind(self) -> None:
        # With all that its thread may still read and write.
        self._gate.shut()
        streams_left_behind.append(self)
        slow_down_c_messages()
        atexit.unregister(load_portaudio()._exit_handler)  # noqa: SLF001 - there is no other way to it

    def _open(self, device: AudioDevice, live: AudioDevice | None) -> Any:
        sounddevice = load_portaudio()
        # Documented for authors of libraries who bring a callback of machine code and its user data.
        open_stream = sounddevice._StreamBase  # noqa: SLF001
        cast = sounddevice._ffi.cast  # noqa: SLF001
        channels = int(self._gate.state["channels"])
        ends: dict[str, Any] = {"kind": "output", "device": device.index, "channels": channels}
        if live is not None:
            ends = {
                "kind": "duplex",
                "device": (live.index, device.index),
                "channels": (self._channels, channels),
            }
        try:
            return open_stream(
                **ends,
                samplerate=self.rate,
                blocksize=self._block,
                dtype="float32",
                latency=self._buffers,
                # The samples are within full scale already, and bits are not to be changed on the way out.
                clip_off=True,
                dither_off=True,
                callback=cast("PaStreamCallback*", GATE_ADDRESS),
                userdata=cast("void*", self._gate.address),
            )
        except sounddevice.PortAudioError as error:
            raise DeviceError(_refusal(self.rate, device, self._block, error)) from None


def reopened(
    engine: Engine,
    device: AudioDevice,
    block: int | None,
    live: AudioDevice | str | None,
    outputs: Outputs = XY,
    buffers: str = "low",
    *,
    plugged: bool = True,
) -> PortAudioDriver:
    """Open a device again, by its name; no other stream may be open.

    Parameters
    ----------
    engine : Engine
    device : AudioDevice
        As it was before.
    block : int or None
    live : AudioDevice, str or None
        Live input as it was before; it is left out if it is not back.
    outputs : Outputs
    buffers : {"low", "high"}
        As `PortAudioDriver` takes it.
    plugged : bool
        Whether it was plugged in since PortAudio looked for devices.

    Raises
    ------
    DeviceError
        If it is not there, or refuses.
    """
    found = devices_anew() if plugged else audio_devices()
    same = find_output(device.label, found)
    heard = None
    if isinstance(live, AudioDevice):
        with suppress(DeviceError):
            heard = find_input(live.label, found, same)
    try:
        return PortAudioDriver(engine, same, block, heard, outputs, engine.rate, buffers)
    except DeviceError:
        return PortAudioDriver(engine, same, block, heard, outputs, same.rate, buffers)


def _refusal(rate: float, device: AudioDevice, block: int, error: Exception) -> str:
    if "sample rate" in str(error).casefold():
        return f"{device.label} refuses {rate:g} Hz; it runs at {device.rate:g} (--rate {device.rate:g})."
    with_block = f" with blocks of {block} frames" if block else ""
    return f"{device.label} cannot be opened at {rate:g} Hz{with_block} ({_reason(error)})."


def _reason(error: Exception) -> str:
    # "Error opening _StreamBase: Invalid device [PaErrorCode -9996]" without the part for programmers.
    said = str(error.args[0]) if error.args else type(error).__name__
    return said.partition(": ")[2].partition(" [")[0] or said
