"""Pictures as lines: which way they are traced, and the contours along which the brightness crosses a level."""

# ruff: noqa: PLC0415 (heavy libraries are loaded when they are first needed)

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from instrument.drawings.limits import DEFAULT_LIMITS, DrawingError, Limits, check_count
from instrument.drawings.readers.picture_shading import shading_line
from instrument.drawings.readers.picture_strokes import centre_lines, edge_lines
from instrument.drawings.strokes import Drawing, from_strokes

if TYPE_CHECKING:
    from numpy.typing import NDArray

Trace = Literal["contours", "edges", "centre", "shade"]

TRACES: tuple[Trace, ...] = ("contours", "edges", "centre", "shade")
"""Ways to make lines of a picture: where the brightness crosses levels, where it changes most, the middles of dark strokes,
and one line that is dense where the picture is dark."""


@dataclass(frozen=True)
class Tracing:
    """Settings of tracing a picture.

    Attributes
    ----------
    trace : str
        One of `TRACES`.
    levels : int or tuple of float
        Brightnesses to follow, each more than 0 (black) and less than 1 (white); or how many, chosen by the
        picture: 1 parts it in two by Otsu's method, more are spread evenly over its range.
    blur : float
        Standard deviation of a Gaussian in pixels of the traced picture, against noise; 0 for none.
    resolution : int
        The longer side is reduced to this many pixels before tracing, at least 8.
    smallest : float
        Contours, edges and strokes shorter than this share of the picture's perimeter are noise and left out.
    sensitivity : float
        Of edges: 0 keeps the hardest, 1 all. Of middles: which brightness still is ink, from the darkest at 0 to the
        brightest at 1, with Otsu's level at 0.5.
    stipples : int
        Points of a shading, from 3 to 10,000.
    """

    trace: Trace = "contours"
    levels: int | tuple[float, ...] = 1
    blur: float = 1.0
    resolution: int = 512
    smallest: float = 0.01
    sensitivity: float = 0.5
    stipples: int = 1000

    def __post_init__(self) -> None:
        """Refuse what means nothing."""
        if self.trace not in TRACES:
            raise ValueError(f"trace must be one of {', '.join(TRACES)} (got {self.trace!r})")
        if not 0.0 <= self.sensitivity <= 1.0:
            raise ValueError(f"sensitivity must be from 0 to 1 (got {self.sensitivity})")
        if not 3 <= self.stipples <= 10_000:
            raise ValueError(f"stipples must be from 3 to 10000 (got {self.stipples})")
        levels = self.levels
        if isinstance(levels, int):
            if not 1 <= levels <= 64:
                raise ValueError(f"levels must be from 1 to 64, or brightnesses (got {levels})")
        elif not levels or not all(0.0 < level < 1.0 for level in levels):
            raise ValueError(f"each level must lie between 0 (black) and 1 (white) (got {levels})")
        if not 0.0 <= self.blur < 1000.0:
            raise ValueError(f"blur must be from 0 to 1000 pixels (got {self.blur})")
        if not 8 <= self.resolution <= 8192:
            raise ValueError(f"resolution must be from 8 to 8192 pixels (got {self.resolution})")
        if not 0.0 <= self.smallest <= 1.0:
            raise ValueError(f"smallest must be from 0 to 1 (got {self.smallest})")


def parse_picture(content: bytes, tracing: Tracing | None = None, limits: Limits = DEFAULT_LIMITS) -> Drawing:
    """Trace a PNG or JPEG picture.

    Parameters
    ----------
    content : bytes
        The file. What is transparent counts as white.
    tracing : Tracing, optional
    limits : Limits
        `pixels` is held against the size in the header, before anything is unpacked.

    Returns
    -------
    Drawing
        In pixels of the original picture, y upwards.

    Raises
    ------
    DrawingError
        If it is no PNG or JPEG, is damaged or too large, or is blank.
    """
    tracing = tracing or Tracing()
    brightness, scale = _brightness(content, tracing, limits)
    strokes = _traced(np.asarray(brightness, np.float64), tracing, limits)
    if not strokes:
        raise DrawingError(_NOTHING[tracing.trace])
    flip = np.array([scale[0], -scale[1]])
    return from_strokes([stroke * flip for stroke in strokes])


_NOTHING = {
    "contours": "no contour was found; the picture is blank, or its contrast too faint for these levels",
    "edges": "no edge was found; the picture is blank or soft. A higher sensitivity or a smaller blur finds more",
    "centre": "no stroke was found; the picture is blank, or its strokes shorter than smallest allows",
    "shade": "nothing in it is dark enough to be shaded; the picture is white",
}


def _traced(brightness: NDArray[np.float64], tracing: Tracing, limits: Limits) -> list[NDArray[np.float64]]:
    """Strokes in columns and rows of the traced picture."""
    if tracing.trace == "contours":
        return contour_lines(brightness, levels_of(brightness, tracing.levels), tracing.smallest, limits)
    if tracing.trace == "shade":
        line = shading_line(brightness, tracing.stipples, limits.seconds)
        return [line] if len(line) else []
    if np.ptp(brightness) < 1 / 255:
        return []
    if tracing.trace == "edges":
        lines = edge_lines(brightness, tracing.sensitivity, limits)
    else:
        lines = centre_lines(brightness, _ink_level(brightness, tracing.sensitivity), limits)
    shortest = tracing.smallest * 2 * sum(brightness.shape)
    return [line for line in lines if np.linalg.norm(np.diff(line, axis=0), axis=1).sum() >= shortest]


def _ink_level(brightness: NDArray[np.float64], sensitivity: float) -> float:
    middle = _otsu(brightness)
    end = float(brightness.max() if sensitivity > 0.5 else brightness.min())
    return middle + abs(2.0 * sensitivity - 1.0) * (end - middle)


def _brightness(content: bytes, tracing: Tracing, limits: Limits) -> tuple[NDArray[np.floating], tuple[float, float]]:
    """Brightness from 0 to 1 after reducing and blurring, and original pixels for each traced one."""
    from PIL import Image, UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            # The library's own warning about size comes where our limit has already been held against it.
            warnings.simplefilter("ignore")
            picture = Image.open(io.BytesIO(content), formats=("PNG", "JPEG"))
            width, height = picture.size
            if width * height > limits.pixels:
                raise DrawingError(
                    f"the picture claims {width:,} x {height:,} pixels; at most {limits.pixels:,} are allowed"
                )
            picture.draft("L", (tracing.resolution, tracing.resolution))
            if picture.mode.startswith("I;16") or picture.mode == "I":
                flat = Image.fromarray(np.asarray(picture, np.float64) / 65535 * 255).convert("L")
            else:
                layered = picture.convert("RGBA")
                white = Image.new("RGBA", layered.size, "white")
                flat = Image.alpha_composite(white, layered).convert("L")
    except DrawingError:
        raise
    except UnidentifiedImageError:
        raise DrawingError("this is not a PNG or JPEG picture") from None
    except Image.DecompressionBombError:
        raise DrawingError(f"the picture claims more than {limits.pixels:,} pixels, which is the limit") from None
    except (OSError, ValueError, SyntaxError, EOFError) as error:
        raise DrawingError(f"the picture is damaged ({str(error)[:80]})") from error
    longer = max(flat.size)
    if longer > tracing.resolution:
        share = tracing.resolution / longer
        flat = flat.resize([max(2, round(side * share)) for side in flat.size], Image.Resampling.BOX)
    table = np.asarray(flat, np.float64) / 255.0
    if min(table.shape) < 2:
        raise DrawingError(f"the picture is {width} x {height} pixels; at least 2 x 2 are needed for a contour")
    return softened(table, tracing.blur), (width / table.shape[1], height / table.shape[0])


def softened(table: NDArray[np.floating], deviation: float) -> NDArray[np.floating]:
    """Blur by a Gaussian of a standard deviation in pixels; 0 leaves the picture as it is."""
    if deviation == 0.0:
        return table
    from scipy.ndimage import gaussian_filter

    return np.asarray(gaussian_filter(table, deviation, mode="nearest"))


def levels_of(brightness: NDArray[np.floating], wanted: int | tuple[float, ...]) -> list[float]:
    """Return the brightnesses to follow, from 0 to 1; none where a picture has no contrast (`Tracing.levels`)."""
    if not isinstance(wanted, int):
        return list(wanted)
    low, high = float(brightness.min()), float(brightness.max())
    if high - low < 1 / 255:
        return []
    if wanted == 1:
        return [_otsu(brightness)]
    return [float(level) for level in np.linspace(low, high, wanted + 2)[1:-1]]


def _otsu(brightness: NDArray[np.floating]) -> float:
    """Find the level that parts a picture best in dark and bright.

    N. Otsu, A threshold selection method from gray-level histograms, IEEE Transactions on Systems, Man, and
    Cybernetics 9 (1979), pages 62 to 66: the largest variance between the two classes.
    """
    counts, edges = np.histogram(brightness, bins=256)
    middle = (edges[:-1] + edges[1:]) / 2
    dark = np.cumsum(counts)[:-1]
    bright = counts.sum() - dark
    dark_sum = np.cumsum(counts * middle)[:-1]
    total = float((counts * middle).sum())
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = dark * bright * (dark_sum / dark - (total - dark_sum) / bright) ** 2
    apart = np.where((dark > 0) & (bright > 0), apart, 0.0)
    # Between two clear classes every level is as good; the middle of them is the steadiest.
    best = np.flatnonzero(apart >= apart.max() * (1 - 1e-12))
    return float((edges[1:-1][best[0]] + edges[1:-1][best[-1]]) / 2)


def contour_lines(
    brightness: NDArray[np.floating], levels: list[float], smallest: float, limits: Limits
) -> list[NDArray[np.float64]]:
    """Follow the levels; x and y in pixels, y downwards, each line closed, its first point repeated at the end."""
    if not levels:
        return []
    from contourpy import contour_generator

    # Pixels are sampled at their middles; a white border closes the contours of what touches the edge.
    padded = np.pad(brightness, 1, constant_values=1.0)
    rows, columns = brightness.shape
    x = np.concatenate([[0.0], np.arange(columns) + 0.5, [float(columns)]])
    y = np.concatenate([[0.0], np.arange(rows) + 0.5, [float(rows)]])
    generator: Any = contour_generator(x, y, padded)
    shortest = smallest * 2 * (rows + columns)
    strokes = []
    points = 0
    for level in levels:
        for line in generator.lines(level):
            if np.linalg.norm(np.diff(line, axis=0), axis=1).sum() >= shortest:
                strokes.append(np.asarray(line, np.float64))
                points += len(line)
        check_count(points, "points", limits)
    return strokes
