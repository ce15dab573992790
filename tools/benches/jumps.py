"""The `jumps` section of the bench: how jumps between strokes ring and shine, straight and eased, and what easing costs."""

from __future__ import annotations

import statistics
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from instrument.beam.reconstruction import Reconstruction, interpolation_filter
from instrument.drawings.load import LoadOptions, find_routes, sample_frames
from instrument.drawings.routing.closed_line import StepKind
from instrument.drawings.routing.sampling import STRAIGHT_SPEED, fit_to_box
from instrument.engine.engine import Engine
from instrument.engine.program import Program, new_program
from instrument.engine.signal.jump_table import HEAD, ROW, lay_jumps, profile_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from instrument.drawings.routing.closed_line import Route

    Floats = NDArray[np.float64]

DRAWINGS = Path(__file__).resolve().parents[2] / "patches" / "drawings"
PICTURES = ("NIGHT", "anchor.svg", "heron.svg", "knot.svg", "moth.svg")
"""A text, and own drawings with jumps, from two to fourteen."""
FREQUENCIES = (55.0, 110.0, 220.0)
RATES = (48000.0, 96000.0, 192000.0)
FACTOR = 8
CYCLES = 12
SIZE = 2.0
"""Largest extent of a drawing that is fitted to the unit box."""
OFF = 0.005
"""Share of the size from which light counts as beside the strokes."""
SILENT = 0.0
"""Samples before the pen's first."""
BLOCK = 64
TIMES = 7


def route_of(name: str) -> Route:
    """Return the line of a drawing of the set, or of a text in capitals."""
    return find_routes(text=name)[0] if name.isupper() else find_routes([DRAWINGS / name])[0]


def picture(found: Route, frequency: float, *, eased: bool) -> tuple[Program, Floats, Floats]:
    """Return a program that draws a line, and where its jumps begin and land, as shares of the cycle.

    The shares are those of a pen that needs none for a sample, so that `laid_out` can shift them.
    """
    sampling = replace(LoadOptions().sampling, jump_speed=None if eased else STRAIGHT_SPEED)
    frames = sample_frames([found], sampling)
    program = new_program()
    program.record["fade_seconds"] = 0.0
    program.set("output.knee", 1.0)
    program.set("layer.1.pen.frequency", frequency)
    program.draw_path(0, frames.points)
    lay_jumps(program, 0, frames.leaps)
    program.schedule()
    jumps = frames.kinds[0] == StepKind.JUMP
    count = len(jumps)
    begins = np.flatnonzero(jumps & ~np.roll(jumps, 1)) / count
    lands = np.flatnonzero(jumps & ~np.roll(jumps, -1)) / count + 1 / count
    # A jump that runs over the end of the table lands in the next round.
    if len(lands) and lands[0] < begins[0]:
        lands = np.append(lands[1:], lands[0] + 1.0)
    return program, begins, lands


def laid_out(program: Program, pace: float) -> tuple[Floats, Floats]:
    """Return where eased jumps begin and land at a pace, as the kernel lays them on the cycle."""
    table = program.jumps[0][0]
    count, total, most = table[:HEAD]
    pace = min(pace, most)
    rows = table[HEAD:].reshape(-1, ROW)
    step = (1.0 - total * pace) / (program.paths[0].shape[1] - count)
    begins = (rows[:, 0] - np.arange(len(rows))) * step + rows[:, 1] * pace
    return begins, begins + rows[:, 2] * pace


def figures_of(found: Route, frequency: float, rate: float, *, eased: bool) -> tuple[float, float, float]:
    """Measure one picture.

    Returns
    -------
    ringing : float
        Largest distance of the light from the strokes in the eighth of a stroke behind each jump, in percent of the size.
    light : float
        Light for a length of jump, beside light for a length of stroke.
    beside : float
        Percent of all light that lies more than `OFF` beside the strokes.
    """
    program, begins, lands = picture(found, frequency, eased=eased)
    if eased:
        begins, lands = laid_out(program, frequency / rate)
    engine = Engine(rate)
    engine.play(program)
    # The first sample is the silence before.
    out = engine.render(int(CYCLES * rate / frequency) + 128)
    screen = Reconstruction(rate, FACTOR)
    light = np.concatenate([screen.process(out), screen.finish()])[:, :2].astype(np.float64)
    place = (np.arange(len(light)) / FACTOR - screen.delay * rate - SILENT) * frequency / rate
    # Away from the beginning and the end of the signal.
    kept = (place > 1.0) & (place < CYCLES - 1.0)
    light, place = light[kept], place[kept] % 1.0
    line, kinds = fit_to_box(found.line)[:, :2], found.kinds
    step = np.roll(line, -1, axis=0) - line
    length = np.linalg.norm(step, axis=1)
    drawn = kinds != StepKind.JUMP
    away = _distances(light, line[drawn], step[drawn])
    strokes = np.roll(begins, -1) + (np.arange(len(begins)) == len(begins) - 1) - lands
    behind = ((place[:, None] - lands) % 1.0 < strokes / 8).any(axis=1)
    share = float((lands - begins).sum())
    brightness = share / length[~drawn].sum() / ((1.0 - share) / length[drawn].sum())
    beside = float((away > OFF * SIZE).mean())
    return 100.0 * float(away[behind].max()) / SIZE, float(brightness), 100.0 * beside


def _distances(points: Floats, start: Floats, step: Floats) -> Floats:
    # From each point to the nearest of the segments.
    nearest = np.full(len(points), np.inf)
    for a, d in zip(start, step, strict=True):
        square = float(d @ d)
        t = np.clip((points - a) @ d / square, 0.0, 1.0) if square > 0.0 else np.zeros(len(points))
        nearest = np.minimum(nearest, np.hypot(*(points - a - t[:, None] * d).T))
    return nearest


def ringing_of(samples: float, places: int = 16) -> float:
    """Return how far the signal between samples leaves the strokes beside an eased jump of so many samples, in jumps.

    The largest distance over `places` places of the jump between two samples, both sides.
    """
    third, fifth = profile_of(np.array([samples]))[0]
    taps = interpolation_filter(FACTOR)
    n = np.arange(-56, 57)
    t = np.arange(-26 * FACTOR, 26 * FACTOR + 1) / FACTOR
    at = np.rint((t[:, None] - n) * FACTOR).astype(int) + len(taps) // 2
    weights = np.where((at >= 0) & (at < len(taps)), taps[np.clip(at, 0, len(taps) - 1)], 0.0)
    most = 0.0
    for place in np.arange(places) / places:
        begin = place - samples / 2
        u = np.clip(2.0 * (n - begin) / max(samples, 1e-9) - 1.0, -1.0, 1.0)
        value = 0.5 + 0.5 * u * ((1.0 - third - fifth) + u * u * (third + u * u * fifth))
        beside = ((t <= begin) | (t >= begin + samples)) & (np.abs(t) < 24.0)
        most = max(most, float(np.abs(weights @ value - (t >= begin + samples))[beside].max()))
    return most


def _nanoseconds(program: Program, rate: float) -> float:
    engine = Engine(rate)
    engine.play(program)
    engine.render(int(rate) // 4, block=BLOCK)
    before = int(engine.record["counters"]["total_ns"])
    frames = int(rate) // BLOCK * BLOCK
    engine.render(frames, block=BLOCK)
    return (int(engine.record["counters"]["total_ns"]) - before) / frames


def bench_cost(found: Route, rate: float = 48000.0) -> None:
    """Print what a sample costs with straight and with eased jumps, measured in turns."""
    straight = picture(found, 110.0, eased=False)[0]
    eased = picture(found, 110.0, eased=True)[0]
    pairs = [(_nanoseconds(straight, rate), _nanoseconds(eased, rate)) for _ in range(TIMES)]
    ratios = [after / before for before, after in pairs]
    print(
        f"\nA sample of one layer: {statistics.median(b for b, _ in pairs):.1f} ns straight, "
        f"{statistics.median(a for _, a in pairs):.1f} ns eased; ratio {statistics.median(ratios):.2f} "
        f"({min(ratios):.2f} to {max(ratios):.2f})"
    )


def bench_jumps() -> None:
    """Print ringing, light and what lies beside the strokes, straight and eased."""
    print("| picture | jumps | rate | Hz | ringing, % of size | light, of the strokes' | % of light beside |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for name in PICTURES:
        found = route_of(name)
        for rate in RATES:
            for frequency in FREQUENCIES:
                before = figures_of(found, frequency, rate, eased=False)
                after = figures_of(found, frequency, rate, eased=True)
                cells = " | ".join(f"{b:.2f} -> {a:.2f}" for b, a in zip(before, after, strict=True))
                print(f"| {name} | {found.figures.jumps} | {rate:g} | {frequency:g} | {cells} |", flush=True)
    bench_cost(route_of("NIGHT"))


if __name__ == "__main__":
    bench_jumps()
