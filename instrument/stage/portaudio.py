"""PortAudio calls the engine's compiled callback; no Python runs on the way."""

from __future__ import annotations

import atexit
from typing import TYPE_CHECKING, Any

from instrument.engine.engine import CALLBACK_ADDRESS
from instrument.stage.devices import CHANNELS, AudioDevice, load_portaudio
from instrument.stage.driver import DeviceError, Driver, check_block, check_rate
from instrument.stage.quiet import quiet_libraries

if TYPE_CHECKING:
    from instrument.engine.engine import Engine

USUAL_BLOCK = 64
"""Frames where nobody asked for a size; a JACK server's own period is taken instead."""

_SERVER_PERIOD = 0
"""paFramesPerBufferUnspecified: blocks as long as the device's own."""


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
    ) -> None:
        self.name = device.label
        self.jack = device.jack
        self.rate = check_rate(engine.rate)
        self._engine = engine
        self._block = check_block(block) if block is not None else USUAL_BLOCK
        if block is None and device.jack:
            self._block = _SERVER_PERIOD
        self._channels = min(live.inputs, CHANNELS) if live is not None else 0
        self._stream = _open(engine, device, self._block, live, self._channels)
        engine.record["input_channels"] = self._channels

    @property
    def input_channels(self) -> int:
        """Channels of live input that are open: 0, 1 or 2."""
        return self._channels

    @property
    def block(self) -> int:
        """Frames of one block; where the server chooses, the largest so far (0 before the first)."""
        return self._block or int(self._engine.record["counters"]["largest_block"])

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
        error = load_portaudio().PortAudioError
        try:
            with quiet_libraries():
                self._stream.start()
        except error as refusal:
            raise DeviceError(f"{self.name} does not start ({_reason(refusal)}).") from None

    def stop(self) -> None:
        """Stop calling the engine; returns when the last call has ended."""
        self._stream.stop(ignore_errors=True)

    def close(self) -> None:
        """Stop, and let go of the device."""
        if self.jack and not self._stream.active and not self._stream.stopped:
            # The server has died. PortAudio would wait for it for ever, here and at the end of the process.
            atexit.unregister(load_portaudio()._exit_handler)  # noqa: SLF001 - there is no other way to it
            return
        self._stream.stop(ignore_errors=True)
        self._stream.close(ignore_errors=True)


def _open(engine: Engine, device: AudioDevice, block: int, live: AudioDevice | None, channels: int) -> Any:
    sounddevice = load_portaudio()
    # Documented for authors of libraries who bring a callback of machine code and its user data.
    open_stream = sounddevice._StreamBase  # noqa: SLF001
    cast = sounddevice._ffi.cast  # noqa: SLF001
    ends: dict[str, Any] = {"kind": "output", "device": device.index, "channels": CHANNELS}
    if live is not None:
        ends = {
            "kind": "duplex",
            "device": (live.index, device.index),
            "channels": (channels, CHANNELS),
        }
    try:
        with quiet_libraries():
            return open_stream(
                **ends,
                samplerate=engine.rate,
                blocksize=block,
                dtype="float32",
                latency="low",
                # The samples are within full scale already, and bits are not to be changed on the way out.
                clip_off=True,
                dither_off=True,
                callback=cast("PaStreamCallback*", CALLBACK_ADDRESS),
                userdata=cast("void*", engine.memory.address),
            )
    except sounddevice.PortAudioError as error:
        raise DeviceError(_refusal(engine.rate, device, block, error)) from None


def _refusal(rate: float, device: AudioDevice, block: int, error: Exception) -> str:
    if "sample rate" in str(error).casefold():
        return f"{device.label} refuses {rate:g} Hz; it runs at {device.rate:g} (--rate {device.rate:g})."
    with_block = f" with blocks of {block} frames" if block else ""
    return f"{device.label} cannot be opened at {rate:g} Hz{with_block} ({_reason(error)})."


def _reason(error: Exception) -> str:
    # "Error opening _StreamBase: Invalid device [PaErrorCode -9996]" without the part for programmers.
    said = str(error.args[0]) if error.args else type(error).__name__
    return said.partition(": ")[2].partition(" [")[0] or said
