"""Cost of the voices of a layer, beside the same layer without notes: a section of `tools/bench.py`."""

from __future__ import annotations

import statistics
from pathlib import Path

import numpy as np

from instrument.engine.engine import Engine, midi_event
from instrument.patch.build import build_program
from instrument.patch.patch_file import patch_from_text

RATE = 48_000
ROUNDS = 40
BLOCK = 64
VOICES = (1, 4, 16)

LAYER = """schema = 1
title = "Two loops"
[[layer]]
[layer.source]
kind = "harmonic"
preset = "lissajous"
a = 3
b = 2
[layer.place.spin]
x = 0.1
y = 0.2
"""
NOTES = """[layer.notes]
mode = "poly"
"""


def _playing(voices: int) -> Engine:
    engine = Engine(float(RATE))
    engine.play(build_program(patch_from_text(LAYER + (NOTES if voices else ""), Path("loops.toml"))))
    engine.render(BLOCK, events=[midi_event(0, 0x90, 48 + 2 * k, 100) for k in range(voices)])
    engine.render(RATE)
    return engine


def _cost_of(engine: Engine) -> float:
    out = np.zeros((BLOCK, 2), np.float32)
    before = int(engine.record["counters"]["total_ns"])
    blocks = RATE // BLOCK
    for _ in range(blocks):
        engine.render_into(out)
    return (int(engine.record["counters"]["total_ns"]) - before) / (blocks * BLOCK)


def bench_voices() -> None:
    """Print the cost of a layer with so many voices, as a ratio to the layer without notes."""
    plain, others = _playing(0), {voices: _playing(voices) for voices in VOICES}
    found: dict[int, list[float]] = {voices: [] for voices in VOICES}
    for _ in range(ROUNDS):
        base = _cost_of(plain)
        for voices, engine in others.items():
            found[voices].append(_cost_of(engine) / base)
    for voices, ratios in found.items():
        low, high = np.quantile(ratios, [0.1, 0.9])
        print(
            f"{voices} voices / no notes: median {statistics.median(ratios):.2f} (10 to 90 percent of {ROUNDS} rounds: {low:.2f} to {high:.2f})"
        )
