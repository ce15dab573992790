"""Walk a newcomer's first hour on a fresh clone, and print what each step took: `python tools/trials/walk.py [--tests all]`.

Everything that a machine remembers between two tries (packages, machine code, settings) is put into a new folder, so
that a walk begins where a newcomer does. It needs git, jackd, Xvfb and xdotool, and whatever network pip needs.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from tools.trials.known_environment import enter_known_environment, known_environment
from tools.trials.stand_ins import jack_server, screen

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ROOT = Path(__file__).resolve().parents[2]
RATE, BLOCK = 48_000, 256
SIZE = (1280, 800)

LIGHT = 96
"""Brightness from which a pixel is part of a picture; the window's own ground is darker."""

ENOUGH = 400
"""So many bright pixels in the middle of the window are a picture."""

PATIENCE = 1800.0

DRAWING = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100">
  <path d="M10 62 H90 L78 82 H22 Z"/>
  <path d="M50 62 V12 L82 54 H50"/>
</svg>
"""
"""A boat with a sail, as somebody would draw it who has never done so."""

PATCH = """schema = 1
title = "My first boat"

[[layer]]
[layer.source]
kind = "path"
drawing = "boat.svg"
[layer.pen]
frequency = 80
[layer.place]
size = 0.8
spin = [0, 0.1, 0]
camera = 3
"""

KNOB = """
import os, rtmidi
port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK)
port.open_port(port.get_ports().index("Beamhand:Beamhand"))
port.send_message((0xB0, 2, 100))
port.send_message((0x90, 57, 100))
__import__("time").sleep(0.3)
os._exit(0)
"""
"""Turns knob 2 and presses a key, as a controller would."""


@dataclass
class Walk:
    """A clone, the surroundings that its commands run in, and what has been measured.

    Attributes
    ----------
    clone : Path
    environment : dict of str to str
    steps : list of (str, float)
        What was done, and the seconds it took.
    """

    clone: Path
    environment: dict[str, str]
    steps: list[tuple[str, float]] = field(default_factory=list)

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Measure one step."""
        began = time.monotonic()
        yield
        self.steps.append((name, time.monotonic() - began))
        print(f"{self.steps[-1][1]:8.1f} s  {name}", flush=True)

    def run(self, *words: str) -> str:
        """Run a command to its end inside the clone and return what it said; it must succeed."""
        done = subprocess.run(
            words,
            cwd=self.clone,
            env=self.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
            timeout=PATIENCE,
        )
        if done.returncode != 0:
            raise RuntimeError(f"{' '.join(words)} ended with {done.returncode}:\n{done.stdout[-3000:]}")
        return done.stdout

    def beamhand(self, *words: str) -> str:
        """Run a command of the clone's own."""
        return self.run(str(self.clone / ".venv" / "bin" / "beamhand"), *words)


def surroundings(folder: Path) -> dict[str, str]:
    """Return an environment without anything that an earlier try has left."""
    known = known_environment(os.environ)
    kept = {name: value for name, value in known.items() if name not in {"PYTHONPATH", "VIRTUAL_ENV"}}
    homes = {f"XDG_{name}_HOME": str(folder / name.lower()) for name in ("CACHE", "CONFIG", "DATA", "STATE")}
    return {**kept, **homes, "PIP_CACHE_DIR": str(folder / "cache" / "pip")}


def bright(pixels: bytes, width: int, height: int) -> int:
    """Count the bright pixels in the left part of a dump of a screen, where the window shows the picture.

    Parameters
    ----------
    pixels : bytes
        Four for each pixel, line by line: blue, green, red and nothing.
    width, height : int
    """
    rows = (pixels[4 * width * row : 4 * width * row + 2 * width] for row in range(0, height - 60, 2))
    return sum(1 for row in rows for green in row[1::4] if green >= LIGHT)


def wait_for(what: Callable[[], bool], process: subprocess.Popen[str], why: str) -> None:
    """Wait until something is so, while the show runs."""
    limit = time.monotonic() + PATIENCE
    while not what():
        if process.poll() is not None or time.monotonic() > limit:
            raise RuntimeError(f"the show ended, or {PATIENCE:g} s passed, before {why}")
        time.sleep(0.05)


def show(walk: Walk, pixels: Path, told: Path, first: bool) -> None:
    """Start the show, see its picture, turn a knob, end it; the first time all of it is made ready before."""
    which = "first time: packages, compilation" if first else "second time"
    began = time.monotonic()
    with told.open("w") as said:
        process = subprocess.Popen(
            ["python3", "tools/play.py", "--record", "takes"],
            cwd=walk.clone,
            env=walk.environment,
            stderr=said,
            text=True,
        )
    try:
        with walk.step(f"`python3 tools/play.py` until it plays ({which})"):
            wait_for(lambda: "playing " in told.read_text(), process, "it played")
        with walk.step("... until its picture is seen in the window"):
            size = 4 * SIZE[0] * SIZE[1]
            wait_for(lambda: bright(pixels.read_bytes()[-size:], *SIZE) > ENOUGH, process, "a picture")
        walk.steps.append((f"first picture after the command ({which})", time.monotonic() - began))
        if first:
            with walk.step("first knob, from a controller"):
                walk.run(str(walk.clone / ".venv" / "bin" / "python"), "-c", KNOB)
            time.sleep(1.0)
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(30)
    if "Traceback" in told.read_text():
        raise RuntimeError(told.read_text())


def first_take(walk: Walk) -> None:
    """Render the take of the show again; the knob must be in it."""
    (take,) = (walk.clone / "takes").iterdir()
    with walk.step("first take, rendered again and compared"):
        said = walk.beamhand("render", str(take), "-o", "again.wav")
    knob = bytes((0xB0, 2, 100))
    if "every byte" not in said and "same" not in said:
        raise RuntimeError(f"the take did not come out the same: {said}")
    if knob not in (take / "performance.mid").read_bytes():
        raise RuntimeError("the knob is not in the take")


def own_drawing(walk: Walk) -> None:
    """Draw a boat, put it into a patch, look at it, make a film of it."""
    (walk.clone / "boat.svg").write_text(DRAWING)
    with walk.step("first own drawing: as one line"):
        walk.beamhand("route", "boat.svg")
    (walk.clone / "mine.toml").write_text(PATCH)
    with walk.step("... in a patch of its own, checked"):
        walk.beamhand("patch", "check", "mine.toml")
    with walk.step("... as a still"):
        walk.beamhand("render", "mine.toml", "-o", "mine.png")
    with walk.step("first film: 5 s, 480 pixels, 30 frames a second"):
        walk.beamhand("render", "mine.toml", "-o", "mine.mkv", "--seconds", "5", "--size", "480", "--fps", "30")


def main() -> None:
    """Walk."""
    enter_known_environment()
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--tests",
        default="tests/engine/signal/test_output.py",
        help="what tools/test.py is given; 'all' runs every test, which takes a quarter of an hour",
    )
    given = parser.parse_args()
    print(f"processors: {os.cpu_count()}, Python {sys.version.split()[0]}, load {os.getloadavg()[0]:.2f}")
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="walk-")))
        walk = Walk(folder / "beamhand", surroundings(folder / "home"))
        with walk.step("git clone"):
            subprocess.run(["git", "clone", "--quiet", str(ROOT), str(walk.clone)], check=True)
        walk.environment["JACK_DEFAULT_SERVER"] = stack.enter_context(jack_server(RATE, BLOCK))
        walk.environment["DISPLAY"] = stack.enter_context(screen(f"{SIZE[0]}x{SIZE[1]}", folder))
        pixels, told = folder / "Xvfb_screen0", folder / "said.txt"
        show(walk, pixels, told, first=True)
        first_take(walk)
        own_drawing(walk)
        show(walk, pixels, told, first=False)
        tests = [] if given.tests == "all" else given.tests.split()
        with walk.step(f"`python3 tools/test.py {' '.join(tests)}`"):
            walk.run("python3", "tools/test.py", *tests)
    print("\n| step | seconds |\n| --- | --- |")
    for name, seconds in walk.steps:
        print(f"| {name} | {seconds:.1f} |")


if __name__ == "__main__":
    main()
