"""A show in a process of its own, asked for things as the window asks, and the patches that it plays in trials."""

from __future__ import annotations

import json
import os
import queue
import random
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from typing import IO, TYPE_CHECKING, Any, Self

import psutil

from instrument.engine.memory.allocation import attach

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

SHOW = """
import json, queue, sys, threading
from pathlib import Path
from instrument.show import show
from instrument.show.show_options import ShowOptions

allocate = show.allocate

def allocate_and_tell(rate, **kept):
    memory = allocate(rate, **kept)
    print(memory.name, flush=True)
    return memory

class Remote:
    def __init__(self, memory, rate):
        self.lines = queue.SimpleQueue()
    def start(self):
        threading.Thread(target=self.read, daemon=True).start()
    def read(self):
        for line in sys.stdin:
            self.lines.put(json.loads(line))
    def requests(self):
        return [self.lines.get() for _ in range(self.lines.qsize())]
    def show(self, state):
        print(json.dumps(state), flush=True)
    def restart_if_ended(self, **how):
        return ""
    def close(self):
        pass

show.allocate, show.WindowProcess = allocate_and_tell, Remote
options = json.loads(sys.argv[1])
options["patches"] = tuple(map(Path, options["patches"]))
for name in ("record", "perform"):
    if options.get(name):
        options[name] = Path(options[name])
sys.exit(show.run_show(ShowOptions(**options), lambda text: print(text, file=sys.stderr, flush=True)))
"""
"""The show in a process of its own, with standard input in the place of a window."""

MOVING = """schema = 1
title = "Moving {name}"
ramp = 0.05
fade = 0.2

[output]
ac = 1
delay = [0.0, 0.0005]

[[layer]]
level = 0.5
[layer.source]
kind = "path"
drawing = "rope.obj"
[layer.place.spin]
y = 0.13
z = 0.07
[layer.pen]
frequency = {frequency}

[[layer]]
level = 0.3
[layer.source]
kind = "harmonic"
preset = "lissajous"
a = 3
b = 2.01

[[modulator]]
name = "swell"
kind = "lfo"
shape = "sine"
rate = 0.37
sync = "beat"

[[link]]
modulator = "swell"
parameter = "layer.2.level"
depth = 0.2

[[control]]
message = "note"
parameter = "layer.1.pen.key"
range = [0, 127]

[[control]]
message = "cc"
number = 1
parameter = "layer.1.place.turn.x"
range = [-1, 1]

[[control]]
message = "cc"
number = 2
parameter = "output.offset.x"
range = [-0.4, 0.4]

[[control]]
message = "bend"
parameter = "layer.1.place.move.y"
range = [-0.3, 0.3]

[[control]]
message = "program"
action = "patch"

[[control]]
message = "cc"
number = 20
action = "snapshot"

[[control]]
message = "cc"
number = 21
action = "morph"

[[control]]
message = "cc"
number = 22
parameter = "tempo.tap"

[[control]]
message = "cc"
number = 119
action = "record"

[[snapshot]]
name = "wide"
values = {{"layer.1.place.turn.z" = 0, "layer.2.source.x.1.amplitude" = 0.9}}

[[snapshot]]
name = "narrow"
values = {{"layer.1.place.turn.z" = 0.4, "layer.2.source.x.1.amplitude" = 0.2}}
"""
"""Parts that keep a trace of everything that went before: phases, ramps, a filter, a delay, a modulator."""


def write_patches(folder: Path) -> list[Path]:
    """Write two patches of one drawing and return their files."""
    write_drawing(folder, 1)
    found = []
    for name, frequency in (("buoy", 73.1), ("moth", 121.7)):
        found.append(folder / f"{name}.toml")
        found[-1].write_text(MOVING.format(name=name, frequency=frequency))
    return found


def write_drawing(folder: Path, seed: int) -> None:
    """Write the drawing, another one for each seed, as an editor does: whole."""
    numbers = random.Random(seed)
    corners = [(numbers.uniform(-1, 1), numbers.uniform(-1, 1), numbers.uniform(-1, 1)) for _ in range(12)]
    text = "".join(f"v {x} {y} {z}\n" for x, y, z in corners)
    text += "l " + " ".join(str(k % 12 + 1) for k in range(13)) + "\n"
    part = folder / ".rope.part"
    part.write_text(text)
    part.replace(folder / "rope.obj")


class Show:
    """One running show.

    Parameters
    ----------
    patches : sequence of Path
        Takes that nobody named a folder for go beside them.
    **options
        Fields of `ShowOptions`.
    """

    def __init__(self, patches: Sequence[Path], **options: Any) -> None:
        given = {"patches": [str(path) for path in patches], "window": True, **options}
        self.process = subprocess.Popen(
            [sys.executable, "-c", SHOW, json.dumps(given)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
            env={**os.environ, "XDG_MUSIC_DIR": str(patches[0].parent)},
        )
        self.said: list[str] = []
        self.states: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self.memory = attach(next(_lines(self.process.stdout)).strip())
        for target in (self._read_words, self._read_states):
            threading.Thread(target=target, daemon=True).start()
        wait_until(lambda: self.time > 0, "the first block", 60)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *ended: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            if stream is not None:
                with suppress(OSError):  # of a show that has ended, what it was told last is still unsent
                    stream.close()

    @property
    def time(self) -> int:
        """Frames rendered so far."""
        return int(self.memory.record["ring_at"])

    def do(self, what: str, **more: Any) -> None:
        """Ask for something as the window does."""
        if self.process.poll() is not None:
            raise RuntimeError(f"the show has ended with status {self.process.returncode}: {self.said[-5:]}")
        if self.process.stdin is not None:
            self.process.stdin.write(json.dumps({"do": what, **more}) + "\n")
            self.process.stdin.flush()

    def wait_for(self, words: str, count: int = 1, seconds: float = 60) -> str:
        """Wait until something has been said so often, and return it."""
        wait_until(lambda: sum(words in line for line in self.said) >= count, f"{words!r} in {self.said}", seconds)
        return [line for line in self.said if words in line][-1]

    def end(self) -> int:
        """Ask the show to end and return its exit status."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(90)

    def kill(self, first: int) -> int:
        """Kill the show and its recorder, one of them first; return the frames that had been rendered."""
        family = [self.process.pid, *(child.pid for child in psutil.Process(self.process.pid).children())]
        recorders = [pid for pid in family[1:] if "instrument.takes.recorder" in psutil.Process(pid).cmdline()]
        order = [*recorders, family[0]] if first else [family[0], *recorders]
        rendered = self.time
        for pid in order:
            os.kill(pid, signal.SIGKILL)
        for pid in set(family) - set(order):
            psutil.Process(pid).kill()
        self.process.wait()
        return rendered

    def _read_words(self) -> None:
        for line in _lines(self.process.stderr):
            self.said.append(line.rstrip("\n"))

    def _read_states(self) -> None:
        for line in _lines(self.process.stdout):
            self.states.put(json.loads(line))


def _lines(stream: IO[str] | None) -> Iterator[str]:
    # A stream that was closed under the reading thread has no more lines.
    with suppress(ValueError):
        while stream is not None and (line := stream.readline()):
            yield line


def wait_until(condition: Callable[[], bool], what: str, seconds: float = 15) -> None:
    """Wait for something to become true, and fail with its name if it does not."""
    deadline = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > deadline:
            raise TimeoutError(f"waited {seconds:g} s in vain for {what}")
        time.sleep(0.02)
