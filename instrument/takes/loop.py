"""A seamless loop of one round of a patch's movement, as a small moving picture for sharing."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

from instrument.beam.light import Light, blank
from instrument.engine.layout import MODULATOR_NONE, RING_PERFORM, SOURCE_NONE
from instrument.engine.parameters import LAYERS, MODULATORS
from instrument.takes.export import ExportError

if TYPE_CHECKING:
    from pathlib import Path

    import numpy.typing as npt

    from instrument.engine.engine import Engine, Event

    Picture = npt.NDArray[np.uint8]

FRAMES_PER_SECOND = 25
"""A GIF counts in hundredths of a second, and many programs show nothing faster than this."""

LONGEST_SECONDS = 20.0
"""Of a loop; a patch that takes longer to come round is cut and closed with a cross-fade."""

STILL_SECONDS = 1.0
"""Of the loop of a patch in which nothing moves."""

BLEND_SECONDS = 0.6
"""In which the end of a loop that does not come round turns into its beginning."""

_FINEST = 1000
"""Largest denominator of a rate in turns a second that is taken as meant."""

_MOST_PIXELS = 1 << 28


def period_of(engine: Engine) -> tuple[float, bool]:
    """Return how long a patch takes to come round, and whether it really does.

    Rates of modulators in use and of turning layers decide; how the pen runs through the drawing does not, since a
    picture shows whole rounds of it anyway.

    Parameters
    ----------
    engine : Engine
        That plays the patch.

    Returns
    -------
    float
        Seconds, at most `LONGEST_SECONDS`.
    bool
        False where the rates have no common round so short.
    """
    rates = [Fraction(rate).limit_denominator(_FINEST) for rate in _rates(engine)]
    rates = [rate for rate in rates if rate > 0]
    if not rates:
        return STILL_SECONDS, True
    common = rates[0]
    for rate in rates[1:]:
        denominator = math.lcm(common.denominator, rate.denominator)
        common = Fraction(math.gcd(int(common * denominator), int(rate * denominator)), denominator)
    period = float(1 / common)
    # Fast rounds are shown several at a time, so that no frame is left out.
    period *= math.ceil(STILL_SECONDS / period)
    return (period, True) if period <= LONGEST_SECONDS else (LONGEST_SECONDS, False)


def export_loop(
    engine: Engine, path: Path, events: list[Event], size: int, seconds: float | None = None
) -> float:
    """Render one round and write it as a loop that runs for ever; the file appears only when it is complete.

    Parameters
    ----------
    engine : Engine
        With its program already changed to.
    path : Path
        ``.gif`` or ``.webp``.
    events : list of Event
        Played before the loop begins.
    size : int
        Width and height in pixels.
    seconds : float, optional
        Length; one round by default.

    Returns
    -------
    float
        Seconds of the loop.

    Raises
    ------
    ExportError
        If it would be too large, or the file cannot be written; an older file of that name is kept.
    """
    last = max((event.time for event in events), default=0)
    engine.render(last + round(BLEND_SECONDS * engine.rate), events=events, ring=RING_PERFORM)
    period, closes = period_of(engine) if seconds is None else (max(seconds, 1 / FRAMES_PER_SECOND), False)
    count = max(round(period * FRAMES_PER_SECOND), 1)
    if count * size * size > _MOST_PIXELS:
        fitting = math.isqrt(_MOST_PIXELS // count)
        raise ExportError(
            f"{path}: {count} frames of {size} pixels are too much for a loop; use --size {fitting} or less"
        )
    blended = 0 if closes else min(round(BLEND_SECONDS * FRAMES_PER_SECOND), count)
    frames = _close(_frames(engine, period, count, count + blended, size), count)
    images = [Image.fromarray(frame) for frame in frames]
    part = path.with_name(f".{path.stem}.part{path.suffix.lower()}")
    # Both formats repeat for ever at 0; a GIF's times are whole hundredths of a second.
    duration = max(round(1000 * period / count), 20)
    try:
        images[0].save(part, save_all=True, append_images=images[1:], duration=duration, loop=0, quality=85)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise ExportError(f"{path}: cannot be written ({error}); name a folder with room for it") from error
    return period


def _rates(engine: Engine) -> list[float]:
    # Turns a second of everything that moves by itself.
    values = engine.values()
    slot = int(engine.record["instances"]["slot"][int(engine.record["active"])])
    program = engine.record["bank"][slot]
    found = [
        values[f"layer.{layer + 1}.place.spin.{axis}"]
        for layer in range(LAYERS)
        if program["layers"]["source"][layer] != SOURCE_NONE
        for axis in "xyz"
    ]
    found += [
        values[f"mod.{number + 1}.rate"]
        for number in range(MODULATORS)
        if program["modulators"]["kind"][number] != MODULATOR_NONE
    ]
    return [abs(rate) for rate in found if math.isfinite(rate)]


def _frames(engine: Engine, period: float, count: int, total: int, size: int) -> list[Picture]:
    # The round before leaves its afterglow, so that the first frame looks like the one after the last.
    light = Light(size)
    pixels = blank(size)
    found = []
    done = 0
    before = min(count, FRAMES_PER_SECOND)
    for k in range(1, before + total + 1):
        until = round(k * period / count * engine.rate)
        light.advance(engine.render(until - done), engine.rate)
        done = until
        if k > before:
            light.develop(pixels)
            found.append(
                np.stack([(pixels >> shift & 0xFF).astype(np.uint8) for shift in (16, 8, 0)], axis=2)
            )
    return found


def _close(frames: list[Picture], count: int) -> list[Picture]:
    # What follows the last frame fades into the first ones, so that the end leads into the beginning.
    extra = frames[count:]
    closed = frames[:count]
    for k, later in enumerate(extra):
        weight = (k + 1) / (len(extra) + 1)
        mixed = closed[k] * weight + later * (1 - weight)
        closed[k] = np.rint(mixed).astype(np.uint8)
    return closed
