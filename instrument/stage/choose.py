"""Which driver plays: the device that was asked for, the best there is, or the silent clock."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from instrument.stage.devices import AudioDevice, audio_devices, find_output
from instrument.stage.driver import RATES, USUAL_RATE, DeviceError, Driver, check_block, check_rate
from instrument.stage.silent import USUAL_BLOCK, SilentClock

if TYPE_CHECKING:
    from instrument.engine.engine import Engine

OFF = "off"
"""Name that asks for the silent clock."""


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
        Why nothing will be heard although nobody asked for that; otherwise empty.
    """

    device: AudioDevice | None
    rate: float
    block: int | None = None
    trouble: str = ""

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
            return SilentClock(engine, self.block or USUAL_BLOCK)
        from instrument.stage.portaudio import PortAudioDriver  # noqa: PLC0415 - as in load_portaudio

        return PortAudioDriver(engine, self.device, self.block)


def choose_driver(audio: str | None, rate: float | None, block: int | None) -> Choice:
    """Decide what will play.

    Parameters
    ----------
    audio : str or None
        Name or part of it; `OFF` for the silent clock; None for JACK where a server answers, else the default
        device, else the silent clock.
    rate : float or None
        Sample rate in hertz; None for the device's own.
    block : int or None
        Frames; None for what suits the device.

    Raises
    ------
    DeviceError
        If the rate or the block is not possible, or nothing has that name.
    """
    if rate is not None:
        check_rate(rate)
    if block is not None:
        check_block(block)
    if audio is not None and audio.casefold() == OFF:
        return Choice(None, rate or USUAL_RATE, block)
    try:
        device = find_output(audio, audio_devices())
    except DeviceError as error:
        if audio is not None:
            raise
        return Choice(None, rate or USUAL_RATE, block, f"{str(error)[:-1]}: playing on a silent clock.")
    low, high = RATES
    return Choice(device, rate or min(max(device.rate, low), high), block)
