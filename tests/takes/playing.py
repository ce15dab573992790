"""A recorder over an engine that the test itself drives, block by block."""

from __future__ import annotations

import queue
import threading
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.engine.engine import EngineFullError, swap_event
from instrument.engine.memory.allocation import allocate
from instrument.patch.build import build_program
from instrument.patch.patch_file import patch_from_text
from instrument.takes.recorder import Recorder
from instrument.takes.recorder_client import RecordedEngine, Recording

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import numpy.typing as npt

RATE = 48_000

MOVING = """schema = 1
title = "{title}"
ramp = 0.05
fade = 0.1
[output]
ac = 1
delay = [0, 0.0005]
[[layer]]
[layer.source]
kind = "harmonic"
preset = "lissajous"
a = 2
b = 3.01
[layer.place.spin]
y = 0.3
[layer.pen]
frequency = 97.3
[[layer]]
level = 0.4
[layer.source]
kind = "path"
points = [[0, 0, 0], [1, 0, 0], [1, 1, {z}], [0, 1, 0]]
[[modulator]]
name = "swell"
kind = "lfo"
rate = 0.7
[[link]]
modulator = "swell"
parameter = "layer.1.level"
depth = 0.2
[[control]]
message = "cc"
number = 1
parameter = "layer.1.place.turn.x"
range = [-1, 1]
[[control]]
message = "note"
parameter = "layer.2.pen.key"
range = [0, 127]
"""
"""A patch in which every sample depends on everything before it: phases, ramps, a filter, a delay, a modulator."""


def wait_until(condition: Callable[[], bool], what: str, seconds: float = 20) -> None:
    """Wait for something to become true, and fail with its name if it does not."""
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"waited {seconds:g} s in vain for {what}"
        time.sleep(0.005)


class Studio:
    """An engine, and the recorder as a thread over the same memory.

    Parameters
    ----------
    folder : Path
        Into which takes go.
    keep : float
        Seconds kept for a take after the fact.
    """

    def __init__(self, folder: Path, keep: float = 0.0, rate: int = RATE) -> None:
        self.folder = folder
        self.engine = RecordedEngine(rate, allocate(rate))
        self.requests: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self.told: list[dict[str, Any]] = []
        self.recorder = Recorder(self.engine.record, keep, self.requests, self.told.append)
        self._recording = Recording(self.engine)
        self._thread = threading.Thread(target=self.recorder.run, daemon=True)
        self._pieces: list[npt.NDArray[np.float32]] = []

    def start(self) -> None:
        """Let the recorder run."""
        self._thread.start()

    def load(self, title: str, z: float = 1.0, carry: bool = False, fade: float = 0.0) -> None:
        """Change to a patch as the stage does: first loaded, then told, then played."""
        slot = self.hold(title, MOVING.format(title=title, z=z))
        if not self.engine.push(swap_event(0, slot, carry=carry, fade=fade)):
            raise EngineFullError("no room")

    def hold(self, title: str, text: str, slot: int | None = None) -> int:
        """Load a patch and tell the recorder, without playing it."""
        path = self.folder / f"{title}.toml"
        slot = self.engine.load(build_program(patch_from_text(text, path)), slot)
        self._recording.loaded(slot, path, title, text, ())
        self.requests.put(self._recording._loaded[-1])
        return slot

    def play(
        self, frames: int, block: int = 64, incoming: npt.NDArray[np.float32] | None = None
    ) -> npt.NDArray[np.float32]:
        """Render, and let the recorder keep up."""
        out = self.engine.render(frames, block=block, incoming=incoming)
        self._pieces.append(out)
        wait_until(lambda: self.recorder._sound.at == self.engine.time, "the recorder")
        return out

    @property
    def sound(self) -> npt.NDArray[np.float32]:
        """Everything that was rendered so far."""
        return np.concatenate(self._pieces)

    def ask(self, do: str, **more: Any) -> None:
        """Ask the recorder for something."""
        self.requests.put({"do": do, "folder": str(self.folder), **more})

    def begin(self, **more: Any) -> Path:
        """Begin a take and return its folder."""
        before = len(self._heard("started"))
        self.ask("start", **more)
        wait_until(lambda: len(self._heard("started")) > before, f"a beginning in {self.told}")
        return Path(self._heard("started")[-1])

    def stop(self) -> Path:
        """End the take and return its folder."""
        before = len(self._heard("stopped"))
        self.ask("stop")
        wait_until(lambda: len(self._heard("stopped")) > before, f"an end in {self.told}")
        return Path(self._heard("stopped")[-1])

    def keep(self) -> Path:
        """Make a take after the fact and return its folder."""
        before = len(self._heard("stopped"))
        self.ask("retrospective")
        wait_until(lambda: len(self._heard("stopped")) > before, f"a take in {self.told}")
        return Path(self._heard("stopped")[-1])

    def said(self) -> str:
        """Everything that was said."""
        return " ".join(self._heard("say"))

    def close(self) -> None:
        """End the recorder."""
        self.requests.put({"do": "end"})
        self._thread.join(20)
        assert not self._thread.is_alive()

    def _heard(self, key: str) -> list[str]:
        return [message[key] for message in list(self.told) if key in message]


@contextmanager
def studio(folder: Path, keep: float = 0.0, rate: int = RATE) -> Iterator[Studio]:
    """A studio whose recorder runs."""
    playing = Studio(folder, keep, rate)
    playing.start()
    try:
        yield playing
    finally:
        playing.close()
