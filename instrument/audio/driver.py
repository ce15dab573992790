"""Interface of audio drivers, and the limits that all of them keep."""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType
    from typing import Self

    from instrument.audio.correction import Corrector

RATES = (44_100.0, 192_000.0)
"""Lowest and highest sample rate in hertz."""

BLOCKS = (16, 2048)
"""Smallest and largest block in frames."""

USUAL_RATE = 48_000.0


STALL_SECONDS = 1.0
"""Time without a block after which a device that says it plays is taken for lost (our choice): the longest block of
`BLOCKS` takes 46 ms at the lowest rate, and a sound server that changes its device or its rate pauses for less than half
of this (PipeWire 0.3.65)."""

BEGIN_SECONDS = 5.0
"""The same before the first block: wireless devices take seconds to begin (common experience, no source)."""

_LONGEST_LOOK = 0.3
"""Seconds that one look may count for, so that a process that stood still itself takes no device for lost."""


class DeviceError(ValueError):
    """An audio device cannot be used; `str` is the sentence to show."""


class Heartbeat:
    """Blocks that keep coming, or not.

    Parameters
    ----------
    calls : callable
        Returns how many there have been.
    """

    def __init__(self, calls: Callable[[], int]) -> None:
        self._calls = calls
        self._began = calls()
        self._latest = self._began
        self._looked = time.monotonic()
        self._waited = 0.0

    @property
    def began(self) -> bool:
        """Whether a block has come at all."""
        return self._calls() != self._began

    @property
    def beats(self) -> bool:
        """Whether one has come lately; to be looked at several times a second."""
        now, calls = time.monotonic(), self._calls()
        self._waited += min(now - self._looked, _LONGEST_LOOK)
        if calls != self._latest:
            self._waited = 0.0
        self._latest, self._looked = calls, now
        return self._waited < (STALL_SECONDS if calls != self._began else BEGIN_SECONDS)


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
        """One sentence on a fault while playing; empty without one."""
        return ""

    @property
    def device(self) -> str:
        """Name of the device behind a sound server, where it tells; otherwise empty."""
        return ""

    @property
    def lost(self) -> str:
        """Why it has to be left, for good or to be opened anew, without a full stop; empty while it plays.

        To be looked at several times a second.
        """
        return "" if self.running else f"{self.name} has stopped"

    def poll(self) -> str:
        """See to what it is connected to, several times a second; return a sentence of what was done, or nothing."""
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

    def leave(self) -> None:
        """Call the engine no more, for good, without waiting for the device; returns when the last call has ended."""
        self.stop()

    @abstractmethod
    def close(self) -> None:
        """Stop, and let go of the device; a device that does not let go is left behind within seconds."""

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
