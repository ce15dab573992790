"""Make the stills that the tests compare with and the documents show: `python tools/factory/make_stills.py [NAME ...]`."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from PIL import Image

from instrument.beam.look import look_of
from instrument.beam.pictures import still

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    Samples = npt.NDArray[np.float32]
    Picture = npt.NDArray[np.integer[Any]]

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "tests" / "reference" / "stills"
SHEET = ROOT / "patches" / "gallery" / "stills.jpg"
SIZE = 200
RATE = 48000.0
COLUMNS = 5


@dataclass(frozen=True)
class Still:
    """One picture.

    Attributes
    ----------
    name : str
    samples : callable
        Gives the signal [shape=(n, 2)] at `RATE`.
    looks : tuple of str
        As on the command line.
    exposure : float or None
        Seconds, all of the signal if None.
    """

    name: str
    samples: Callable[[], Samples]
    looks: tuple[str, ...] = ()
    exposure: float | None = None


def times(seconds: float) -> npt.NDArray[np.float64]:
    """Return the times of samples."""
    return np.arange(round(seconds * RATE)) / RATE


def two(x: npt.ArrayLike, y: npt.ArrayLike) -> Samples:
    """Return two channels as a path."""
    return np.column_stack(np.broadcast_arrays(np.asarray(x), np.asarray(y))).astype(np.float32)


def circle(pitch: float, seconds: float, radius: float = 0.8) -> Samples:
    """Return a circle drawn against the clock."""
    turn = 2 * np.pi * pitch * times(seconds)
    return two(radius * np.cos(turn), radius * np.sin(turn))


def lissajous(left: float, right: float, phase: float, seconds: float = 0.5) -> Samples:
    """Return two sines at a ratio."""
    t = times(seconds)
    return two(0.85 * np.sin(2 * np.pi * left * t + phase), 0.85 * np.sin(2 * np.pi * right * t))


def square(seconds: float = 0.5, pitch: float = 375.0) -> Samples:
    """Return two square waves a quarter of a period apart: four corners, joined by jumps that ring."""
    turn = pitch * times(seconds)
    return two(np.where(turn % 1 < 0.5, 0.6, -0.6), np.where((turn + 0.25) % 1 < 0.5, 0.6, -0.6))


def sweep_of_square(seconds: float = 0.5) -> Samples:
    """Return a square wave as a time base shows it: a saw across, the wave upwards."""
    t = times(seconds)
    return two(1.8 * ((50 * t) % 1) - 0.9, np.where((150 * t) % 1 < 0.5, 0.5, -0.5))


def buoys() -> Samples:
    """Return five resting places, visited in turn with jumps between them."""
    places = 0.7 * np.exp(2j * np.pi * np.arange(5) * 2 / 5 + 0.5j * np.pi)
    at = places[(times(0.5) * 400).astype(int) % 5]
    return two(at.real, at.imag)


def moth() -> Samples:
    """Return a spiral that opens and closes, by a figure of eight."""
    t = times(0.5)
    spread = 0.45 + 0.4 * np.sin(2 * np.pi * 40 * t)
    turn = 2 * np.pi * 840 * t
    return two(spread * np.sin(turn), spread * np.sin(turn) * np.cos(turn) + 0.35 * np.cos(2 * np.pi * 40 * t))


def noise() -> Samples:
    """Return noise of a bell shape."""
    return (0.25 * np.random.default_rng(4).standard_normal((24_000, 2))).astype(np.float32)


def short_line() -> Samples:
    """Return a line of ten samples."""
    return two(np.linspace(-0.8, 0.8, 10), np.linspace(-0.5, 0.6, 10))


def knot() -> Samples:
    """Return a trefoil seen from above."""
    turn = 2 * np.pi * 100 * times(0.5)
    return two(0.3 * (np.sin(turn) + 2 * np.sin(2 * turn)), 0.3 * (np.cos(turn) - 2 * np.cos(2 * turn)))


STILLS = (
    Still("circle", lambda: circle(100, 0.5)),
    Still("lissajous", lambda: lissajous(300, 200, 0.4)),
    Still("square-ringing", square),
    Still("square-direct", sweep_of_square, ("graticule=0.6",)),
    Still("square-coupled", sweep_of_square, ("graticule=0.6", "coupling=8"), 0.3),
    Still("resting", lambda: two(np.full(4800, 0.2), 0.1), ("graticule=0.6",)),
    Still("jumps", buoys),
    Still("noise", noise, ("P11",)),
    Still("ten-samples", short_line),
    Still("circle-8khz", lambda: circle(8000, 0.5)),
    Still("moth", moth, ("P1",)),
    Still("swelling", lambda: lissajous(150, 100.4, 0.2), ("intensity=4", "halo=0.25")),
    Still("afterglow", lambda: circle(0.7, 1.6, 0.75), ("P7",), 1 / 50),
    Still("slow-figure", lambda: lissajous(31, 20.2, 0.3, 0.4), ("P39",), 1 / 60),
    Still("graticule", lambda: lissajous(200, 100, 0.0), ("graticule=1", "P31")),
    Still("knot", knot, ("P4", "glass=5:4")),
    Still("knot-mirrored", knot, ("P4", "glass=5:4", "mirror=x", "rotate=20")),
    Still("soft", lambda: lissajous(500, 400, 0.6), ("P45", "focus=3", "astigmatism=0.5")),
    Still(
        "dim-glass",
        lambda: circle(150, 0.5, 0.5),
        ("P2", "background=0.05,0.06,0.07", "zoom=1.5", "rotate=45"),
    ),
)
"""Every still, in the order of the sheet."""


def take(wanted: Still) -> npt.NDArray[np.uint8]:
    """Return a still's pixels [shape=(SIZE, width, 3)]."""
    return still(wanted.samples(), RATE, SIZE, wanted.exposure, look_of(list(wanted.looks)))


def alike(one: Picture, other: Picture) -> bool:
    """Tell whether two pictures differ by less than a step of 255 on average, and hardly anywhere by more than 8.

    Other processors round otherwise, and steps of the tone table lie up to 2 apart.
    """
    apart = np.abs(one.astype(np.int64) - other.astype(np.int64))
    return bool(apart.mean() < 0.5 and np.percentile(apart, 99.9) <= 8)


def contact_sheet() -> Image.Image:
    """Return all stills side by side on black."""
    rows = -(-len(STILLS) // COLUMNS)
    width = SIZE * 5 // 4
    sheet = Image.new("RGB", (COLUMNS * width, rows * SIZE))
    for k, each in enumerate(STILLS):
        picture = Image.open(FOLDER / f"{each.name}.png")
        left = k % COLUMNS * width + (width - picture.width) // 2
        sheet.paste(picture, (left, k // COLUMNS * SIZE))
    return sheet


def main(names: list[str]) -> None:
    """Make the stills named, or all, and the sheet."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    for each in STILLS:
        if not names or each.name in names:
            Image.fromarray(take(each)).save(FOLDER / f"{each.name}.png", optimize=True)
            print(f"{each.name}.png")
    contact_sheet().save(SHEET, quality=90, subsampling=0)
    print(SHEET.relative_to(ROOT))


if __name__ == "__main__":
    main(sys.argv[1:])
