"""Frames of an engine rendered offline, piece by piece, with events and live input on their samples."""

from __future__ import annotations

from bisect import bisect_left
from typing import TYPE_CHECKING

from instrument.engine.memory.layout import RING_PERFORM

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np
    import numpy.typing as npt

    from instrument.engine.engine import Engine, Event
    from instrument.takes.heard_input import LiveInput

PIECE = 1 << 15
"""Frames between two writes."""


def _time_of(event: Event) -> int:
    return event.time


def render_frames(
    engine: Engine, frames: int, block: int, events: list[Event], heard: LiveInput | None = None
) -> Iterator[npt.NDArray[np.float32]]:
    """Yield float32 pieces [shape=(n, 2)] of what an engine renders next, with events and input on their samples."""
    waiting = sorted(events, key=_time_of)
    at = done = 0
    while done < frames:
        count = min(max(PIECE // block, 1) * block, frames - done)
        following = bisect_left(waiting, engine.time + count, lo=at, key=_time_of)
        incoming = None if heard is None else heard.read(engine.time, count)
        yield engine.render(count, block=block, events=waiting[at:following], ring=RING_PERFORM, incoming=incoming)
        at = following
        done += count
