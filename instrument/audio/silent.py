"""The silent clock: a thread that renders in real time where there is no device, or none is wanted."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

import numpy as np

from instrument.audio.device_output import Outlet
from instrument.audio.driver import Driver, check_block
from instrument.audio.output_channels import XY, Outputs

if TYPE_CHECKING:
    from instrument.engine.engine import Engine

USUAL_BLOCK = 256
"""Frames where nobody asked for a size: 190 wake-ups a second at 48 kHz."""

CATCH_UP_SECONDS = 1.0


class SilentClock(Driver):
    """Renders as much as a device would have asked for by now.

    Each block has its moment, counted from the start and never from the block before, so lateness does not add
    up: a late thread renders all that is due at once. After a standstill of more than `CATCH_UP_SECONDS` it goes on
    from now instead, because readers of the output would lose what is rendered faster than they read.

    Parameters
    ----------
    engine : Engine
    block : int, optional
        Frames, 16 to 2048.
    outputs : Outputs
        What a device would get; it is made only where it is corrected, so that correcting can be tried without one.

    Raises
    ------
    DeviceError
        If the block size is not possible.
    """

    jack = False
    silent = True

    def __init__(self, engine: Engine, block: int = USUAL_BLOCK, outputs: Outputs = XY) -> None:
        self.name = "silent clock"
        self.rate = engine.rate
        self._engine = engine
        self._block = check_block(block)
        self._outlet = Outlet(engine, outputs, self.rate) if outputs.correction is not None else None
        self.corrector = self._outlet.corrector if self._outlet is not None else None
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def block(self) -> int:
        """Frames of one block."""
        return self._block

    @property
    def latency(self) -> float:
        """Seconds to the output, which would be one block."""
        return self._block / self.rate

    @property
    def running(self) -> bool:
        """Whether the thread renders."""
        return self._thread is not None and self._thread.is_alive()

    def start(self) -> None:
        """Begin to render."""
        if self.running:
            return
        self._ending.clear()
        self._thread = threading.Thread(target=self._run, name="silent clock", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop rendering; returns when the last block is done."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def close(self) -> None:
        """Stop for good."""
        self.stop()

    def _run(self) -> None:
        render = self._engine.render_into if self._outlet is None else self._outlet.fill
        out = np.zeros((self._block, 2 if self._outlet is None else self._outlet.outputs.channels), np.float32)
        began = time.monotonic()
        seconds = self._block / self.rate
        done = 0
        while not self._ending.is_set():
            render(out)
            done += 1
            wait = began + done * seconds - time.monotonic()
            if wait > 0:
                time.sleep(wait)
            elif wait < -CATCH_UP_SECONDS:
                began -= wait
