"""The legibility part of the `drawings` section of the bench: drawings played, and their light held against their lines."""

from __future__ import annotations

import statistics
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.limits import DrawingError
from instrument.drawings.load import LoadOptions
from instrument.drawings.readers.by_ending import READERS
from instrument.drawings.routing.closed_line import StepKind
from instrument.drawings.routing.sampling import Sampling, fit_to_box, sample
from instrument.drawings.worker.client import Worker
from instrument.engine.engine import Engine
from instrument.engine.program import new_program
from instrument.engine.signal.jump_table import lay_jumps
from instrument.measure.legibility import Legibility, legibility

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from instrument.drawings.routing.closed_line import Route
    from instrument.drawings.routing.sampling import SampledLine

    Floats = NDArray[np.float64]

PITCHES = (55.0, 110.0, 220.0)
RATES = (48_000.0, 96_000.0, 192_000.0)
FACTORY = Path(__file__).resolve().parents[2] / "patches" / "drawings"
CYCLES = 6
PIXELS = 512
FULL_SCALE = 0.9
TURN, TILT = np.radians(35.0), np.radians(25.0)
"""Meshes are seen from the front, the right and above, without perspective, as `beamhand route` shows them."""


def drawings_in(folders: Sequence[Path]) -> list[Path]:
    """List the drawings of folders, each in order."""
    return [path for folder in folders for path in sorted(folder.iterdir()) if path.suffix.lower() in READERS]


def flat(points: Floats) -> Floats:
    """Points as they are seen, inside full scale."""
    if not np.ptp(points[:, 2]) > 0:
        return FULL_SCALE * points[:, :2]
    x, y, z = points.T
    across = x * np.cos(TURN) + z * np.sin(TURN)
    towards = z * np.cos(TURN) - x * np.sin(TURN)
    # Turned, a cube is wider than it was.
    return np.asarray(FULL_SCALE / np.sqrt(3) * np.stack([across, y * np.cos(TILT) - towards * np.sin(TILT)], axis=1))


def played(line: SampledLine, pitch: float, rate: float) -> NDArray[np.float32]:
    """Render a few cycles of a table that the engine runs along."""
    program = new_program()
    program.draw_path(0, np.column_stack([flat(line.points), np.zeros(len(line.points))]))
    lay_jumps(program, 0, line.leaps[None])
    program.set("layer.1.pen.frequency", pitch)
    program.schedule()
    engine = Engine(rate)
    engine.play(program)
    lead = int(0.05 * rate)
    return engine.render(lead + int(CYCLES * rate / pitch), block=1024)[lead:]


def lines_of(found: Route, box: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """Ideal lines of a route, and its jumps and bridges, as they would be on the screen."""
    points = flat(fit_to_box(found.drawing.points, box))
    ends = np.stack([found.walk, np.roll(found.walk, -1)], axis=1)
    return points[found.drawing.edges], points[ends[found.kinds >= StepKind.JUMP]]


def measured(found: Route, whole: Route, pitch: float, rate: float) -> tuple[Legibility, Legibility]:
    """Legibility of a route, against the lines of the whole drawing and against those that the route itself draws."""
    box = whole.line.min(axis=0), whole.line.max(axis=0)
    samples = played(sample(found, Sampling(), box), pitch, rate)
    ideal, _ = lines_of(whole, box)
    own, jumps = lines_of(found, box)
    against_own = legibility(samples, rate, own, jumps, pixels=PIXELS)
    if found is whole:
        return against_own, against_own
    return legibility(samples, rate, ideal, jumps, pixels=PIXELS), against_own


def bench_legibility(folders: Sequence[Path]) -> None:
    """Print how legible the drawings of the factory set and of other folders are at three pitches and rates."""
    groups = [("factory", [FACTORY])] + [(folder.name, [folder]) for folder in folders]
    with Worker() as worker:
        for name, places in groups:
            _bench_group(name, drawings_in(places), worker)


def _bench_group(name: str, paths: list[Path], worker: Worker) -> None:
    wholes = {path: found for path in paths if (found := _routed(worker, path, LoadOptions())) is not None}
    if not wholes:
        print(f"{name}: no drawing was read")
        return
    # Rates and pitches that come to the same points share a route.
    fitted: dict[int, list[Route]] = {}
    corners = [found.figures.corners for found in wholes.values()]
    print(
        f"{name}: {len(wholes)} drawings, corners median {statistics.median(corners):g} ({min(corners)} to {max(corners)})"
    )
    print(
        "| drawings | drawn | rate | pitch | points | lines shown, median (least) % | light on lines % | 95 % both ways |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for rate in RATES:
        for pitch in PITCHES:
            print(_row(name, "all", rate, pitch, [measured(f, f, pitch, rate)[0] for f in wholes.values()]), flush=True)
            budget = round(rate / pitch)
            if budget not in fitted:
                kept = [_routed(worker, path, LoadOptions(points=budget)) or whole for path, whole in wholes.items()]
                fitted[budget] = kept
            pairs = [measured(f, whole, pitch, rate) for f, whole in zip(fitted[budget], wholes.values(), strict=True)]
            print(_row(name, "fitted, beside all", rate, pitch, [pair[0] for pair in pairs]), flush=True)
            print(_row(name, "fitted, beside what is left", rate, pitch, [pair[1] for pair in pairs]), flush=True)


def _routed(worker: Worker, path: Path, options: LoadOptions) -> Route | None:
    try:
        return worker.routes([path], options=options)[0]
    except DrawingError as error:
        print(f"{path.name}: {error}")
        return None


def _row(name: str, drawn: str, rate: float, pitch: float, rows: list[Legibility]) -> str:
    shown, kept = [100 * row.shown for row in rows], [100 * row.on_lines for row in rows]
    both = sum(row.shown >= 0.95 and row.on_lines >= 0.95 for row in rows)
    return (
        f"| {name} | {drawn} | {rate / 1000:g} kHz | {pitch:g} Hz | {rate / pitch:.0f} "
        f"| {statistics.median(shown):.1f} ({min(shown):.1f}) | {statistics.median(kept):.1f} ({min(kept):.1f}) "
        f"| {both} of {len(rows)} |"
    )
