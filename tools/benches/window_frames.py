"""Frames a second of the window: the desk at 1,920 x 1,080 beside a patch of four layers at 96 kHz, moving and idle.

Run it alone on a machine with Xvfb: python tools/benches/window_frames.py [SECONDS]

A frame's time is what its work takes on the clock; beside it stands what the processor spent on it, which other work on
the machine hardly changes.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
os.environ.setdefault("SDL_FRAMEBUFFER_ACCELERATION", "0")

import numpy as np
import pygame

from instrument.audio.silent import SilentClock
from instrument.beam.look import Look, compile_for
from instrument.engine.engine import Engine
from instrument.engine.memory.allocation import allocate, attach
from instrument.measure.flash_monitor import FlashMonitor
from instrument.repertoire.loading import read_patch
from instrument.window.app import Window
from instrument.window.stage_messages import Channel
from tools.trials.known_environment import enter_known_environment
from tools.trials.stand_ins import screen

RATE = 96_000.0
WIDTH, HEIGHT = 1920, 1080
USUAL_SECONDS = 5.0

PATCH = """
schema = 1
title = "Four layers"

[[modulator]]
name = "tide"
kind = "lfo"
rate = 0.3

[[link]]
modulator = "tide"
parameter = "layer.1.place.turn.z"
depth = 0.1
"""

LAYER = """
[[layer]]
name = "rope {k}"
level = 0.24
[layer.source]
kind = "harmonic"
preset = "torus_knot"
[layer.pen]
frequency = "{k} * 55"
[layer.place]
spin = [0.1, "0.05 * {k}", 0]
camera = 3
"""

REST = PATCH + LAYER.format(k=1).replace("0.24", "0").replace("[0.1,", "[0,").replace('"0.05 * 1"', "0")


def watch(memory: str, told: str, seconds: float) -> dict[str, Any]:
    """Show the engine of a memory for so long and return frames a second, their times and the share of a core."""
    shared = attach(memory)
    pygame.display.init()
    pygame.font.init()
    look = Look()
    compile_for(look)
    # As the window does before it is seen.
    FlashMonitor(RATE).add_samples(np.zeros((round(RATE / 30), 2), np.float32))
    reading, writing = os.pipe()
    with os.fdopen(writing, "w") as stage, os.fdopen(reading) as heard, Path(os.devnull).open("w") as said:
        channel = Channel(heard, said)
        window = Window(shared.record, RATE, channel, look, size=(WIDTH, HEIGHT))
        stage.write(Path(told).read_text() + "\n")
        stage.flush()
        times: list[float] = []
        spent: list[float] = []
        begins: list[float] = []
        frame = window.frame

        def timed(now: float, passed: float) -> None:
            began, worked = time.perf_counter(), time.thread_time()
            frame(now, passed)
            times.append(time.perf_counter() - began)
            spent.append(time.thread_time() - worked)
            begins.append(began)
            if now >= ends:
                window.end()

        window.frame = timed  # type: ignore[method-assign]
        began, used = time.monotonic(), time.process_time()
        ends = began + seconds
        window.run()
        passed, used = time.monotonic() - began, time.process_time() - used
        # The thread that listens ends with the pipe.
        stage.close()
        while not channel.ended:
            channel.messages()
            time.sleep(0.01)
    p50, p99, longest = np.percentile(times, [50, 99, 100]) * 1e3
    apart50, apart99, apart100 = np.percentile(np.diff(begins), [50, 99, 100]) * 1e3
    worked50, worked99 = np.percentile(spent, [50, 99]) * 1e3
    return {
        "fps": len(times) / passed,
        "core": used / passed,
        "work": [p50, p99, longest],
        "apart": [apart50, apart99, apart100],
        "spent": [worked50, worked99],
    }


def measure(text: str, seconds: float) -> dict[str, Any]:
    """Play a patch on a silent clock here, and watch it from another process on a display of its own."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "four.toml"
        path.write_text(text)
        patch = read_patch(path)
        memory = allocate(RATE, shared=True)
        engine = Engine(RATE, memory)
        engine.play(patch.program)
        clock = SilentClock(engine, 256)
        clock.start()
        described = patch.description
        told = {"title": patch.title, "document": described.document, "parameters": described.parameters}
        path.with_name("told.json").write_text(json.dumps(told))
        child = [
            sys.executable,
            __file__,
            "--watch",
            memory.name,
            str(path.with_name("told.json")),
            str(seconds),
        ]
        try:
            with screen(f"{WIDTH}x{HEIGHT}") as display:
                environment = {**os.environ, "DISPLAY": display, "XDG_CONFIG_HOME": folder}
                done = subprocess.run(child, env=environment, capture_output=True, text=True, check=True)
            found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
        finally:
            clock.close()
            memory.close()
    return found


def main(arguments: list[str]) -> int:
    """Print both lines, or in the watching process what it saw."""
    if arguments[:1] == ["--watch"]:
        _, memory, told, length = arguments
        print(json.dumps(watch(memory, told, float(length))))
        return 0
    enter_known_environment()
    seconds = float(arguments[0]) if arguments else USUAL_SECONDS
    layers = "".join(LAYER.format(k=k) for k in range(1, 5))
    for name, text in (("four layers", PATCH + layers), ("at rest", REST)):
        found = measure(text, seconds)
        work, apart, spent = ("/".join(f"{figure:.1f}" for figure in found[key]) for key in ("work", "apart", "spent"))
        print(
            f"{name}: {found['fps']:.1f} frames/s; from frame to frame p50/p99/longest {apart} ms; work in a frame "
            f"{work} ms, of the processor p50/p99 {spent} ms; {100 * found['core']:.0f} % of a core"
        )
    print(f"load average {os.getloadavg()[0]:.1f}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
