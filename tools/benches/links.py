"""Cost of links: a patch with every layer and every link in use, in small blocks at a high rate."""

from __future__ import annotations

import time

import numpy as np

from instrument.engine.engine import Engine
from instrument.engine.modulators.modulator_table import MODULATOR_LFO
from instrument.engine.parameters import LAYERS, LINKS, MODULATORS
from instrument.engine.program import Program, new_program

RATE = 192_000.0
BLOCK = 64
BLOCKS = 20_000
TARGETS = ("place.turn.z", "place.spin.y", "place.scale.x", "place.scale.y", "place.move.x", "pen.frequency")


def linked_program(late: bool) -> Program:
    """Return eight paths in space whose parameters 64 links move, audio-rate ones among them.

    Parameters
    ----------
    late : bool
        Whether two links close a circle, so that the program runs in chunks of 16 samples.
    """
    program = new_program()
    turn = np.linspace(0, 1, 4096, endpoint=False)
    knot = np.column_stack((np.cos(2 * np.pi * 2 * turn), np.sin(2 * np.pi * 3 * turn), np.sin(2 * np.pi * turn)))
    for layer in range(LAYERS):
        program.draw_path(layer, 0.5 * knot)
        program.set(f"layer.{layer + 1}.place.camera", 3.0)
    for number in range(MODULATORS):
        program.modulate(number, MODULATOR_LFO)
        program.set(f"mod.{number + 1}.rate", 0.1 * 1.7**number if number < 16 else 5.0 + number)
    for number in range(LINKS):
        address = f"layer.{number % LAYERS + 1}.{TARGETS[number // LAYERS % len(TARGETS)]}"
        if late and number < 2:
            address = f"mod.{2 - number}.rate"
        program.link(number, number % MODULATORS, address)
        program.set(f"link.{number + 1}.depth", 0.01)
    program.schedule()
    return program


def times_of(program: Program) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return the microseconds that each of many blocks took."""
    engine = Engine(RATE)
    engine.play(program)
    out = np.zeros((BLOCK, 2), np.float32)
    took = np.zeros(BLOCKS)
    for k in range(-500, BLOCKS):
        began = time.perf_counter_ns()
        engine.render_into(out)
        if k >= 0:
            took[k] = (time.perf_counter_ns() - began) / 1000
    return took


def bench_links() -> None:
    """Print the figures."""
    period = BLOCK / RATE * 1e6
    print(f"{LAYERS} layers, {LINKS} links, {MODULATORS} LFOs, {RATE:g} Hz, {BLOCK}-frame blocks of {period:.0f} us\n")
    print("| links | median us | p99 us | p99.9 us | p99.9 of the period |")
    print("| --- | --- | --- | --- | --- |")
    for name, late in (("none late", False), ("a circle, chunks of 16 samples", True)):
        took = times_of(linked_program(late))
        median, p99, p999 = np.percentile(took, [50, 99, 99.9])
        print(f"| {name} | {median:.1f} | {p99:.1f} | {p999:.1f} | {p999 / period:.0%} |")


if __name__ == "__main__":
    bench_links()
