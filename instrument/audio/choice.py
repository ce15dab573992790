"""Which driver plays: the device that was asked for, the best there is, or the silent clock."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from instrument.audio.devices import NATIVE, AudioDevice, audio_devices, find_input, find_native, find_output, own_rate
from instrument.audio.driver import RATES, USUAL_RATE, DeviceError, Driver, check_block, check_rate
from instrument.audio.jack.jack_driver import JackDriver
from instrument.audio.jack.server import jack_devices
from instrument.audio.output_channels import XY, Outputs
from instrument.audio.silent import USUAL_BLOCK, SilentClock
from instrument.engine.modulators.modulator_table import MODULATOR_FOLLOWER
from instrument.engine.parameters import index_of
from instrument.engine.signal.source_table import SOURCE_TABLE

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from instrument.engine.engine import Engine
    from instrument.engine.program import Program

NO_INPUT = "there is no live input: what a patch takes from it is silent."
"""Sentence for a driver that is wanted and cannot be had."""

_INPUTS = {k for k, kind in enumerate(SOURCE_TABLE.values(), start=1) if kind.hears_input}

_INPUT_CHOICES = 3
"""Of a follower's `of`, those that mean the live input come first: both channels, left, right."""

OFF = "off"
"""Name that asks for the silent clock, or for no live input."""


@dataclass(frozen=True)
class Choice:
    """A device that will be opened once the engine's memory has been made for its rate.

    Attributes
    ----------
    device : AudioDevice or None
        None for the silent clock.
    rate : float
        Sample rate in hertz.
    block : int or None
        Frames; None leaves it to the driver.
    trouble : str
        Why nothing will be heard, or nothing listened to, although nobody asked for that; otherwise empty.
    live : AudioDevice, str or None
        Live input: a device, or part of the name of JACK's ports (empty for the machine's own); None opens none.
    outputs : Outputs
        Channels that the device gets.
    """

    device: AudioDevice | None
    rate: float
    block: int | None = None
    trouble: str = ""
    live: AudioDevice | str | None = None
    outputs: Outputs = XY

    @property
    def jack(self) -> bool:
        """Whether the sound will go through a JACK server."""
        return self.device is not None and self.device.jack

    def open(self, engine: Engine) -> Driver:
        """Open the driver.

        Raises
        ------
        DeviceError
            If the device refuses.
        """
        if self.device is None:
            return SilentClock(engine, self.block or USUAL_BLOCK, self.outputs)
        if self.device.native:
            heard = self.live if isinstance(self.live, str) else None
            return JackDriver(engine, self.device, heard, self.outputs)
        from instrument.audio.portaudio import PortAudioDriver  # noqa: PLC0415 - as in load_portaudio

        live = self.live if isinstance(self.live, AudioDevice) else None
        return PortAudioDriver(engine, self.device, self.block, live, self.outputs)


def choose_driver(
    audio: str | None,
    rate: float | None,
    block: int | None,
    live: str | None = None,
    *,
    hears: bool = False,
    outputs: Outputs = XY,
) -> Choice:
    """Decide what will play.

    Parameters
    ----------
    audio : str or None
        Name or part of it: of what a JACK server plays through, which goes first, or of PortAudio's devices; ``jack``
        for the JACK server itself; `OFF` for the silent clock; None for JACK where a server answers, else the default
        device, else the silent clock.
    rate : float or None
        Sample rate in hertz; None for the device's own.
    block : int or None
        Frames; None for what suits the device. A JACK server keeps its own.
    live : str or None
        Live input by name or part of it; `OFF` for none; None for the usual one where something hears it.
    hears : bool
        Whether a program hears the live input.
    outputs : Outputs
        Channels that the device gets.

    Raises
    ------
    DeviceError
        If the rate or the block is not possible, or nothing has that name.
    """
    if rate is not None:
        check_rate(rate)
    if block is not None:
        check_block(block)
    choice, devices = _choose_output(audio, rate, block)
    choice = replace(choice, outputs=outputs)
    wanted = live if live is not None else "" if hears else OFF
    if wanted.casefold() == OFF:
        return choice
    return _with_input(choice, wanted, devices)


def _choose_output(audio: str | None, rate: float | None, block: int | None) -> tuple[Choice, list[AudioDevice]]:
    if audio is not None and audio.casefold() == OFF:
        return Choice(None, rate or USUAL_RATE, block), []
    devices: list[AudioDevice] = []
    native = audio is not None and audio.casefold() == NATIVE
    servers = jack_devices()
    device = next(iter(servers), None) if native or audio is None else find_native(str(audio), servers)
    if device is None:
        try:
            devices = [] if native else audio_devices()
            device = find_output(audio, devices)
        except DeviceError as error:
            if native:
                raise DeviceError("no JACK server answers; start one, or choose another device.") from None
            if audio is not None:
                raise
            trouble = f"{str(error)[:-1]}: playing on a silent clock."
            return Choice(None, rate or USUAL_RATE, block, trouble), []
    low, high = RATES
    return Choice(device, rate or min(max(own_rate(device), low), high), block), devices


def _with_input(choice: Choice, wanted: str, devices: list[AudioDevice]) -> Choice:
    if choice.device is None:
        if wanted:
            raise DeviceError(f"the silent clock has no live input {wanted!r}; choose a device (--audio).")
        return replace(choice, trouble=choice.trouble or NO_INPUT)
    if choice.device.native:
        return replace(choice, live=wanted, trouble="" if wanted or choice.device.inputs else NO_INPUT)
    try:
        return replace(choice, live=find_input(wanted, devices, choice.device))
    except DeviceError:
        if wanted:
            raise
        return replace(choice, trouble=NO_INPUT)


def hears_input(program: Program) -> bool:
    """Return whether a layer or a modulator of a program listens to the live input."""
    record = program.record
    if program.reads_input or not _INPUTS.isdisjoint(record["layers"]["source"].tolist()):
        return True
    kinds = record["modulators"]["kind"].tolist()
    return any(kind == MODULATOR_FOLLOWER and _follows_input(record, k) for k, kind in enumerate(kinds))


def _follows_input(record: npt.NDArray[np.void], modulator: int) -> bool:
    return bool(record["base"][index_of(f"mod.{modulator + 1}.of")] < _INPUT_CHOICES)
