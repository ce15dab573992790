"""Figures beside the picture: levels, callback load, MIDI activity, and whether a drawing is legible at its pitch."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.engine.memory.layout import EVENT_MIDI
from instrument.engine.memory.views import active_values, counters, events_applied, logged_events
from instrument.engine.parameters import index_of
from instrument.window.keys import note_name

if TYPE_CHECKING:
    from collections.abc import Iterable

    import numpy.typing as npt

FALL = 20 / 1.7
"""Decibels a second that the level falls by: IEC 60268-10, type I programme meter, 20 dB in 1.7 s (from memory)."""

FLOOR = -60.0
"""Decibels below full scale at which a level is taken as silence."""

INTERVAL = 0.5
"""Seconds over which the callback load is averaged."""

HOLD = 2.0
"""Seconds for which a peak is held."""

DC_SECONDS = 0.5
"""Seconds over which the mean of a channel is taken."""

LATEST = 256
"""Messages that are looked at after a pause; of more, only the latest can be seen anyway."""

GLOW = 1.0
"""Seconds that a MIDI message stays in sight."""


class Levels:
    """Peak level of each channel in decibels below full scale, falling slowly enough to be read."""

    def __init__(self) -> None:
        self.decibels = [FLOOR, FLOOR]

    def update(self, samples: npt.NDArray[np.float32], seconds: float) -> None:
        """Take in samples [shape=(n, 2)] that cover `seconds`."""
        for channel in range(2):
            level = FLOOR
            peak = float(np.abs(samples[:, channel]).max()) if len(samples) else 0.0
            if peak > 0.0:
                level = max(20.0 * math.log10(peak), FLOOR)
            self.decibels[channel] = max(level, self.decibels[channel] - FALL * seconds, FLOOR)


@dataclass
class Channel:
    """Level and mean of one channel of the output.

    Attributes
    ----------
    decibels : float
        Peak level below full scale, falling slowly.
    held : float
        Its highest value of late.
    dc : float
        Mean of the latest half second (of full scale).
    """

    decibels: float = FLOOR
    held: float = FLOOR
    dc: float = 0.0


class Meters:
    """Level with peak hold, and DC, of both channels.

    Parameters
    ----------
    rate : float
        Sample rate in hertz.
    """

    def __init__(self, rate: float) -> None:
        self._rate = rate
        self.channels = (Channel(), Channel())
        self._since = [0.0, 0.0]
        self._levels = Levels()

    def update(self, samples: npt.NDArray[np.float32], seconds: float) -> None:
        """Take in samples [shape=(n, 2)] that cover `seconds`."""
        self._levels.update(samples, seconds)
        share = min(len(samples) / (DC_SECONDS * self._rate), 1.0)
        means = samples.mean(axis=0) if len(samples) else (0.0, 0.0)
        for k, channel in enumerate(self.channels):
            channel.decibels = self._levels.decibels[k]
            self._since[k] += seconds
            if channel.decibels >= channel.held or self._since[k] > HOLD:
                channel.held, self._since[k] = channel.decibels, 0.0
            channel.dc += share * (float(means[k]) - channel.dc)


class CallbackLoad:
    """Share of the time that the callback needs, from the engine's counters."""

    def __init__(self, record: npt.NDArray[np.void], rate: float) -> None:
        self._counters = counters(record)
        self._rate = rate
        self._since = 0.0
        self._before = self._taken()
        self.share = 0.0

    def update(self, seconds: float) -> None:
        """Let time pass; the share changes once in `INTERVAL`, and is 0 while no block is asked for."""
        self._since += seconds
        if self._since < INTERVAL:
            return
        now = self._taken()
        nanoseconds, frames = now[0] - self._before[0], now[1] - self._before[1]
        self.share = nanoseconds * 1e-9 * self._rate / frames if frames > 0 else 0.0
        self._before, self._since = now, 0.0

    def _taken(self) -> tuple[int, int]:
        return int(self._counters["total_ns"]), int(self._counters["frames"])


class PortActivity:
    """The latest MIDI message that the engine applied, of all and of each port.

    Parameters
    ----------
    record : np.ndarray
        The engine's memory.
    """

    def __init__(self, record: npt.NDArray[np.void]) -> None:
        self._record = record
        self._cursor = events_applied(record)
        self._age = GLOW
        self._latest = ""
        self._ports: dict[int, tuple[str, float]] = {}
        self._clock = 0.0

    @property
    def message(self) -> str:
        """The message in words, or nothing once it is older than `GLOW`."""
        return self._latest if self._age < GLOW else ""

    def update(self, seconds: float) -> None:
        """Let time pass and look at what was applied since."""
        self._age += seconds
        self._clock += seconds
        end = events_applied(self._record)
        for event in logged_events(self._record, max(self._cursor, end - LATEST), end):
            if event["kind"] == EVENT_MIDI:
                status, first, second = (int(byte) for byte in event["data"])
                self._latest, self._age = describe(status, first, second), 0.0
                self._ports[int(event["port"])] = self._latest, self._clock
        self._cursor = end

    def latest(self, ports: Iterable[int]) -> tuple[str, bool]:
        """Return the latest message of ports by the numbers that messages carry, and whether it has just come."""
        heard = [self._ports[port] for port in ports if port in self._ports]
        words, when = max(heard, key=lambda one: one[1], default=("", -GLOW))
        return words, bool(words) and self._clock - when < GLOW


def describe(status: int, first: int, second: int) -> str:
    """Return a channel message in words (MIDI 1.0 Detailed Specification, table 1).

    Examples
    --------
    >>> describe(0x90, 69, 100), describe(0xB2, 21, 64), describe(0xE0, 0, 64)
    ('note A4', 'control 21 = 64', 'bend 0')
    """
    kind = status & 0xF0
    if kind == 0x90 and second > 0:
        return f"note {note_name(first)}"
    if kind in {0x80, 0x90}:
        return f"note {note_name(first)} off"
    words = {
        0xA0: f"key pressure {second}",
        0xB0: f"control {first} = {second}",
        0xC0: f"program {first}",
        0xD0: f"pressure {first}",
        0xE0: f"bend {first + 128 * second - 8192}",
    }
    return words.get(kind, f"message {status:02X}")


A4_KEY = 69.0
"""Key at which `pen.frequency` sounds as written."""

SEMITONES = 12.0

WIDEST = "blurred: 99,999 points for {corners:,} corners"
"""The room kept for the words; beyond it nobody reads on."""


def legibility(record: npt.NDArray[np.void], rate: float, drawings: Any) -> tuple[str, str]:
    """Say how many samples draw one cycle of the drawing that has fewest for its corners.

    A drawing with more corners than samples in a cycle blurs (common practice, no source).

    Parameters
    ----------
    record : np.ndarray
        The engine's memory; links are not heeded.
    rate : float
        Samples a second.
    drawings : list of dict
        What the stage says under ``legible``: `layer`, from 1, and `corners`. Anything else gives no words.

    Returns
    -------
    words, widest : str
        Nothing where nothing is drawn; the longest that the words may become.
    """
    found = [(share, points, corners) for share, points, corners, _ in _cycles(record, rate, drawings)]
    if not found:
        return "", ""
    share, points, corners = min(found)
    words = f"{min(int(points), 99_999):,} points for {corners:,} corners"
    return f"blurred: {words}" if share < 1.0 else words, WIDEST.format(corners=corners)


def blurred_layer(record: npt.NDArray[np.void], rate: float, drawings: Any) -> int:
    """Return the layer, from 1, whose drawing has fewest points for its corners, or 0 where all have enough.

    Parameters
    ----------
    record, rate, drawings
        As for `legibility`.
    """
    share, _, _, layer = min(_cycles(record, rate, drawings), default=(1.0, 0.0, 0, 0))
    return layer if share < 1.0 else 0


def _cycles(record: npt.NDArray[np.void], rate: float, drawings: Any) -> list[tuple[float, float, int, int]]:
    """Points for each corner, points and corners of a cycle, and layer, of each drawing that is told rightly."""
    values = active_values(record)
    found: list[tuple[float, float, int, int]] = []
    for drawing in drawings if isinstance(drawings, list) else []:
        try:
            layer, corners = int(drawing["layer"]), int(drawing["corners"])
            names = (f"layer.{layer}.pen.{name}" for name in ("frequency", "key", "bend"))
            frequency, key, bend = (values[index_of(name)] for name in names)
        except (KeyError, TypeError, ValueError):
            continue
        with np.errstate(all="ignore"):
            points = rate / abs(frequency * np.exp2((key + bend - A4_KEY) / SEMITONES))
        if corners > 0 and np.isfinite(points):
            found.append((float(points) / corners, float(points), corners, layer))
    return found
