"""A seamless loop of one round of a patch's movement, as a small moving picture for sharing."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

from instrument.beam.frames import FrameSource
from instrument.beam.light import as_rgb
from instrument.engine.memory.layout import RING_PERFORM
from instrument.export.period import period_of
from instrument.export.sound import ExportError, appearing

if TYPE_CHECKING:
    from pathlib import Path

    import numpy.typing as npt

    from instrument.beam.look import Look
    from instrument.engine.engine import Engine, Event

    Picture = npt.NDArray[np.uint8]

FRAMES_PER_SECOND = 25
"""A GIF counts in hundredths of a second, and many programs show nothing faster than this."""

BLEND_SECONDS = 0.6
"""In which the end of a loop that does not come round turns into its beginning."""

_MOST_PIXELS = 1 << 28


def export_loop(
    engine: Engine,
    path: Path,
    events: list[Event],
    size: int,
    seconds: float | None = None,
    look: Look | None = None,
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
    look : Look, optional

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
    frames = _close(_frames(engine, period, count, count + blended, size, look), count)
    images = [Image.fromarray(frame) for frame in frames]
    # Both formats repeat for ever at 0; a GIF's times are whole hundredths of a second.
    duration = max(round(1000 * period / count), 20)
    with appearing(path, ending=path.suffix.lower()) as part:
        images[0].save(part, save_all=True, append_images=images[1:], duration=duration, loop=0, quality=85)
    return period


def _frames(engine: Engine, period: float, count: int, total: int, size: int, look: Look | None) -> list[Picture]:
    # The round before leaves its afterglow, so that the first frame looks like the one after the last.
    before = min(count, FRAMES_PER_SECOND)
    begin = engine.time
    # Exact fractions, so that every frame ends where the samples do.
    pace = Fraction(count) / Fraction(period)
    source = FrameSource(engine.rate, pace, size, size, look)
    found: list[Picture] = []
    for k in range(1, before + total + 1):
        samples = engine.render(begin + round(k * Fraction(engine.rate) / pace) - engine.time)
        found += [as_rgb(frame) for frame in source.feed(samples) if k > before]
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
