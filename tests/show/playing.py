"""A show in a process of its own, as a performer would run it, with a view into its memory."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from typing import TYPE_CHECKING, Any, Self

from instrument.engine.engine import Engine
from instrument.engine.memory.allocation import attach
from instrument.engine.memory.layout import EVENT_MIDI
from tests.show.listening import wait_until

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

SHOW = """
import atexit, gc, json, sys
from pathlib import Path
from instrument.audio.bounded_calls import end_process
from instrument.show import show
from instrument.show import window_process
from instrument.show.show_options import ShowOptions

atexit.register(gc.freeze)
options, window = json.loads(sys.argv[1]), json.loads(sys.argv[2])
allocate, begin = show.allocate, window_process.WindowProcess.__init__

def allocate_and_tell(rate, **kept):
    memory = allocate(rate, **kept)
    print(memory.name, rate, flush=True)
    return memory

def begin_other(self, memory, rate):
    begin(self, memory, rate)
    self._command = [sys.executable, *window, memory, repr(rate)]

show.allocate = allocate_and_tell
if window:
    window_process.WindowProcess.__init__ = begin_other
options["patches"] = tuple(Path(path) for path in options["patches"])
options["midi"] = tuple(options.get("midi", ()))
for name in ("record", "perform"):
    if options.get(name):
        options[name] = Path(options[name])
status = show.run_show(ShowOptions(**options), lambda text: print(text, file=sys.stderr, flush=True))
end_process(status)
sys.exit(status)
"""

LEVELS = """schema = 1
title = "Levels"
ramp = 0
fade = 0
[output]
offset = [0.25, 0]
[[control]]
message = "cc"
number = 1
parameter = "output.offset.x"
range = [0, 0.5]
[[control]]
message = "note"
parameter = "output.offset.y"
range = [0, 0.5]
"""
"""A constant on both channels: controller 1 moves x, keys move y, both from 0 to 0.5."""


class Playing:
    """One running show.

    Parameters
    ----------
    patches : sequence of Path
    window : sequence of str
        What is run with our interpreter in place of the window; none plays without a window.
    environment : mapping of str to str, optional
        Of the show; by default our own.
    **options
        Fields of `ShowOptions`.
    """

    def __init__(
        self,
        patches: Sequence[Path],
        window: Sequence[str] = (),
        *,
        environment: Mapping[str, str] | None = None,
        **options: Any,
    ) -> None:
        given = {"patches": [str(path) for path in patches], "window": bool(window), **options}
        self.process = subprocess.Popen(
            [sys.executable, "-c", SHOW, json.dumps(given), json.dumps(list(window))],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
        )
        self.said: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *ended: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self._reader.join(5)
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()

    def engine(self) -> Engine:
        """The show's engine, through its shared memory, once it plays."""
        assert self.process.stdout is not None
        name, rate = self.process.stdout.readline().split()
        self.memory_name = name
        engine = Engine(float(rate), attach(name))
        wait_until(lambda: engine.time > 0, "the first block")
        return engine

    def wait_for(self, words: str) -> None:
        """Wait until something has been said."""
        wait_until(lambda: any(words in line for line in self.said), f"{words!r} in {self.said}", 60.0)

    def end(self, by: signal.Signals = signal.SIGTERM) -> int:
        """Ask the show to end and return its exit status."""
        os.kill(self.process.pid, by)
        return self.process.wait(60)

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.said.append(line.rstrip("\n"))


def midi_applied(engine: Engine) -> list[tuple[int, ...]]:
    """Raw messages that have taken effect, in order."""
    log, _, lost = engine.log_since(0)
    assert lost == 0
    return [tuple(row["data"].tolist()) for row in log if int(row["kind"]) == EVENT_MIDI]
