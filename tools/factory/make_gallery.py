"""Make the stills of the factory set, which the tests compare with: `python tools/factory/make_gallery.py [NAME ...]`."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

from instrument.beam.pictures import still
from instrument.engine.engine import Engine
from instrument.engine.memory.layout import RING_PERFORM
from instrument.midi.files.performance import read_performance
from instrument.patch.build import build_program
from instrument.patch.factory import factory_set, performance_of
from instrument.patch.patch_drawings import read_drawings
from instrument.patch.patch_file import load_patch
from instrument.patch.set_list_file import patches_named

if TYPE_CHECKING:
    import numpy.typing as npt

FOLDER = Path(__file__).resolve().parents[2] / "patches" / "gallery"
SHEET = FOLDER / "festival.jpg"
RATE = 48_000
SIZE = 256
BANNER = FOLDER / "banner.jpg"
SHOWN = ("knot", "flight", "quay", "lighthouse")
"""Patches whose stills, large, open the README."""

LARGE = 400
COLUMNS = 5
EXPOSURE = 0.05
TAIL = 0.3
"""Seconds that are played after the last message."""

MIDWAY = 0.5
MOMENTS = {
    "circle": 0.75,
    "crate": 0.3,
    "crane": 0.4,
    "compass": 0.2,
    "fish": 0.3,
    "flight": 0.5,
    "gulls": 0.2,
    "knot": 0.9,
    "quay": 0.15,
    "rose": 0.3,
    "sign": 0.4,
    "storm": 0.6,
    "ebb": 0.95,
    "visitor": 0.85,
}
"""Moments of stills that are not taken half-way, as a share of the performance."""

_LOOKS_A_SECOND = 10


@dataclass(frozen=True)
class Played:
    """A patch's performance, played offline.

    Attributes
    ----------
    samples : np.ndarray [shape=(n, 2), dtype=float32]
    corners : dict of int to int
        Corners of each drawing, by its layer, counted from 0.
    pens : dict of int to float
        Highest number of rounds a second that the drawing was played at.
    """

    samples: npt.NDArray[np.float32]
    corners: dict[int, int]
    pens: dict[int, float]


def play(path: Path) -> Played:
    """Play the performance that belongs to a patch from its beginning."""
    perform = performance_of(path)
    if perform is None:
        raise FileNotFoundError(f"{path} has no performance beside it")
    patch = load_patch(path)
    drawings = read_drawings(patch)
    engine = Engine(RATE)
    engine.play(build_program(patch, drawings))
    events = read_performance(perform, RATE)
    frames = max(event.time for event in events) + round(TAIL * RATE)
    pens = dict.fromkeys(drawings, 0.0)
    pieces = []
    for start in range(0, frames, RATE // _LOOKS_A_SECOND):
        end = min(start + RATE // _LOOKS_A_SECOND, frames)
        due = [event for event in events if start <= event.time < end]
        pieces.append(engine.render(end - start, events=due, ring=RING_PERFORM))
        pens = {layer: max(highest, rounds(engine, layer + 1)) for layer, highest in pens.items()}
    return Played(np.concatenate(pieces), {layer: drawn.corners for layer, drawn in drawings.items()}, pens)


def rounds(engine: Engine, layer: int) -> float:
    """Return how many rounds a second a layer's pen makes, by its frequency, key and bend."""
    frequency, key, bend = (engine.value(f"layer.{layer}.pen.{name}") for name in ("frequency", "key", "bend"))
    return float(abs(frequency) * 2.0 ** ((key + bend - 69.0) / 12.0))


def picture(name: str, samples: npt.NDArray[np.float32], size: int = SIZE) -> npt.NDArray[np.uint8]:
    """Return a patch's still [shape=(size, size, 3)] out of its performance."""
    end = round(MOMENTS.get(name, MIDWAY) * len(samples))
    return still(samples[max(end - RATE // 2, 0) : end], RATE, size, EXPOSURE)


def contact_sheet(paths: tuple[Path, ...]) -> Image.Image:
    """Return the stills side by side in the order of the set."""
    rows = -(-len(paths) // COLUMNS)
    sheet = Image.new("RGB", (COLUMNS * SIZE, rows * SIZE))
    for k, path in enumerate(paths):
        sheet.paste(Image.open(FOLDER / f"{path.stem}.png"), (k % COLUMNS * SIZE, k // COLUMNS * SIZE))
    return sheet


def banner(paths: tuple[Path, ...]) -> Image.Image:
    """Return the stills of `SHOWN` in a row."""
    shown = {path.stem: path for path in paths}
    return Image.fromarray(np.hstack([picture(name, play(shown[name]).samples, LARGE) for name in SHOWN]))


def main(names: list[str]) -> None:
    """Make the stills named, or all, and the sheet."""
    paths = patches_named(factory_set())
    for path in paths:
        if not names or path.stem in names:
            pixels = picture(path.stem, play(path).samples)
            Image.fromarray(pixels).save(FOLDER / f"{path.stem}.png", optimize=True)
            print(f"{path.stem}.png")
    contact_sheet(paths).save(SHEET, quality=88, subsampling=0)
    print(SHEET.name)
    banner(paths).save(BANNER, quality=88, subsampling=0)
    print(BANNER.name)


if __name__ == "__main__":
    main(sys.argv[1:])
