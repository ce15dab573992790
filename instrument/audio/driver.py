"""What every audio driver offers, and the limits that all of them keep."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

    from instrument.audio.correction import Corrector

RATES = (44_100.0, 192_000.0)
"""Lowest and highest sample rate in hertz."""

BLOCKS = (16, 2048)
"""Smallest and largest block in frames."""

USUAL_RATE = 48_000.0


class DeviceError(ValueError):
    """An audio device cannot be used; `str` is the sentence to show."""


class Driver(ABC):
    """Something that calls the engine, block after block: a device, or a clock.

    A driver is made open; `start` and `stop` may follow each other any number of times, `close` ends it. The
    engine's memory outlives it.

    Attributes
    ----------
    name : str
        Device and system, for the eyes.
    rate : float
        Sample rate in hertz.
    jack : bool
        Whether the sound goes through a JACK server.
    silent : bool
        Whether nobody can hear it.
    corrector : Corrector or None
        Adjusts what the device's display gets, where that was asked for.
    """

    name: str
    rate: float
    jack: bool = False
    silent: bool = False
    corrector: Corrector | None = None

    @property
    def described(self) -> str:
        """Name, and whether what its display gets is corrected, for the window."""
        corrected = self.corrector is not None and not self.corrector.correction.neutral
        return f"{self.name}, corrected" if corrected else self.name

    @property
    def input_channels(self) -> int:
        """Channels of live input that are open: 0, 1 or 2."""
        return 0

    @property
    def trouble(self) -> str:
        """What has become wrong while playing, in one sentence; otherwise empty."""
        return ""

    @property
    @abstractmethod
    def block(self) -> int:
        """Frames of one block; where the device chooses, the largest so far (0 before the first)."""

    @property
    @abstractmethod
    def latency(self) -> float:
        """Seconds from the callback to the output, as the device reports it."""

    @property
    @abstractmethod
    def running(self) -> bool:
        """Whether blocks are being asked for; False also after a device has gone."""

    @abstractmethod
    def start(self) -> None:
        """Begin to call the engine.

        Raises
        ------
        DeviceError
            If the device refuses.
        """

    @abstractmethod
    def stop(self) -> None:
        """Stop calling the engine; returns when the last call has ended."""

    @abstractmethod
    def close(self) -> None:
        """Stop, and let go of the device."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def check_rate(rate: float) -> float:
    """Return a sample rate that is allowed.

    Raises
    ------
    DeviceError
        If it is not.
    """
    low, high = RATES
    if not low <= rate <= high:
        raise DeviceError(f"a sample rate of {rate:g} Hz is not possible; choose one from {low:g} to {high:g}.")
    return float(rate)


def check_block(block: int) -> int:
    """Return a block size that is allowed.

    Raises
    ------
    DeviceError
        If it is not.
    """
    low, high = BLOCKS
    if not low <= block <= high:
        raise DeviceError(f"a block of {block} frames is not possible; choose one from {low} to {high}.")
    return int(block)
