"""Playing the engine's part in its memory, without an engine."""

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import numpy.typing as npt

from instrument.engine.memory.allocation import Memory, allocate
from instrument.engine.memory.layout import EVENT_MIDI, LOG_EVENTS, RING_EVENTS, RING_WINDOW

RATE = 48_000.0


@contextmanager
def shared_memory() -> Iterator[Memory]:
    memory = allocate(RATE, shared=True, ring_seconds=1.0)
    try:
        yield memory
    finally:
        memory.close()


def write_output(record: npt.NDArray[np.void], frames: npt.ArrayLike) -> None:
    """Append frames to the output ring as the callback does: first the frames, then their number."""
    added = np.asarray(frames, np.float32).reshape(-1, 2)
    at, length = int(record["ring_at"]), int(record["ring_frames"])
    record["ring"][np.arange(at, at + len(added)) & (length - 1)] = added
    record["ring_at"] = at + len(added)


def write_log(
    record: npt.NDArray[np.void], message: tuple[int, int, int], kind: int = EVENT_MIDI, port: int = 0
) -> None:
    """Append an applied event to the log."""
    at = int(record["log_at"])
    record["log"][at % LOG_EVENTS] = (0, 0.0, kind, 0, message, port, 0)
    record["log_at"] = at + 1


def take_messages(record: npt.NDArray[np.void]) -> list[tuple[int, int, int]]:
    """Return the MIDI messages waiting in the window's ring and take them out, as the callback does."""
    ring = record["rings"][RING_WINDOW]
    found = []
    for at in range(int(ring["head"]), int(ring["tail"])):
        event = ring["events"][at % RING_EVENTS]
        assert event["kind"] == EVENT_MIDI
        assert event["time"] == 0
        first, second, third = (int(byte) for byte in event["data"])
        found.append((first, second, third))
    ring["head"] = ring["tail"]
    return found
