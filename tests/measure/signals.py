"""Sounds that the tests of this room measure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from instrument.measure.sound_reader import Second, seconds_of

if TYPE_CHECKING:
    from collections.abc import Sequence

Floats = npt.NDArray[np.float64]


class Meter(Protocol):
    def add(self, second: Second) -> None: ...


AnyMeter = TypeVar("AnyMeter", bound=Meter)


def metered(meter: AnyMeter, samples: npt.ArrayLike, rate: int) -> AnyMeter:
    """Give a whole sound [shape=(n, channels)] to a meter, as a file would, and return it."""
    for second in seconds_of(samples, rate):
        meter.add(second)
    return meter


def sine(frequency: float, seconds: float, rate: int = 48_000, amplitude: float = 1.0, degrees: float = 0.0) -> Floats:
    turns = frequency * np.arange(round(seconds * rate)) / rate + degrees / 360
    wave: Floats = amplitude * np.sin(2 * np.pi * turns)
    return wave


def both(wave: Floats) -> Floats:
    """The same on two channels."""
    return np.column_stack((wave, wave))


def programme(parts: Sequence[tuple[float, float]], times: int = 1, rate: int = 48_000) -> Floats:
    """1 kHz on two channels, part after part of a level in dBFS and a length in seconds."""
    gains = np.concatenate([np.full(round(length * rate), 10 ** (level / 20)) for level, length in parts])
    gains = np.tile(gains, times)
    return both(gains * sine(1000.0, len(gains) / rate, rate))


def circle(frequency: float, seconds: float, rate: int = 48_000, radius: float = 0.9) -> Floats:
    return np.column_stack(
        (
            sine(frequency, seconds, rate, radius, 90.0),
            sine(frequency, seconds, rate, radius),
        )
    )
