"""Directions that a layer's model will be seen from, by the layer's place and what moves it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.outline.viewpoints import Viewpoints, sphere_directions
from instrument.engine.parameters import AXES
from instrument.patch.schema.fields import parameter_values
from instrument.patch.schema.patch_schema import LAYER_FIELDS

if TYPE_CHECKING:
    import numpy.typing as npt

    from instrument.patch.schema.patch_schema import Patch

RING = 120
"""Directions about one axis, three degrees from one to the next: contours then stay within 0.04 percent of their place."""

MOST_POINTS = 1 << 19
"""Points of all directions together, unless the patch says how many each has: two such drawings fit into the engine."""

_USUAL_POINTS = 1024
_STEPS_OF_DISTANCE = 8
"""Steps in which the distance of the eye is taken, to its double: a step of 9 percent moves a contour by a hundredth of a
turn at most, and a saved size need not draw everything anew."""


@dataclass(frozen=True)
class ModelViews:
    """Directions in the order in which they are drawn.

    Attributes
    ----------
    viewpoints : Viewpoints
    stages : tuple of int
        After how many directions there is something to play: the first alone, those about the axis that the layer turns
        about, all.
    """

    viewpoints: Viewpoints
    stages: tuple[int, ...]


def model_views(patch: Patch, k: int, count: int) -> ModelViews:
    """Plan from where the model of a layer is drawn.

    The first direction is that of the patch's own turn. If the layer turns about one axis only, those about it follow;
    the rest lies evenly about the model.

    Parameters
    ----------
    patch : Patch
    k : int
        Layer, from 0.
    count : int
        Directions, at least 1.
    """
    values = _place_of(patch, k)
    eye = _eye(values, 0.0, 0)
    distance = math.inf
    if 0 < values["camera"] < math.inf:
        distance = float(np.linalg.norm(eye))
        distance = 2.0 ** (round(_STEPS_OF_DISTANCE * math.log2(distance)) / _STEPS_OF_DISTANCE)
    turning = _turning(patch, k, values)
    directions = [eye]
    if len(turning) == 1:
        ring = min(RING, count)
        directions = [_eye(values, step / ring, turning[0]) for step in range(ring)]
    first = len(directions)
    table = np.concatenate([np.array(directions), sphere_directions(count - first)])
    table /= np.linalg.norm(table, axis=1, keepdims=True)
    rows = tuple((float(x), float(y), float(z)) for x, y, z in np.round(table, 12))
    return ModelViews(Viewpoints(rows, distance), tuple(sorted({1, first, count})))


def points_of_each(count: int) -> int:
    """Return how many points each of so many directions has unless the patch says: a power of two, up to 1,024.

    Examples
    --------
    >>> points_of_each(1), points_of_each(600), points_of_each(4096)
    (1024, 512, 128)
    """
    return min(_USUAL_POINTS, 1 << int(math.log2(MOST_POINTS // count)))


def _place_of(patch: Patch, k: int) -> dict[str, float]:
    values = dict(parameter_values(patch.layer[k], LAYER_FIELDS))
    values |= {
        address.removeprefix(f"layer.{k + 1}."): value
        for address, value in patch.values.items()
        if address.startswith(f"layer.{k + 1}.")
    }
    return {name.removeprefix("place."): float(value) for name, value in values.items() if name.startswith("place.")}


def _turning(patch: Patch, k: int, values: dict[str, float]) -> list[int]:
    """Axes about which the layer turns, by itself or by what moves it; about z the picture rolls and stays the same."""
    moved = {link.parameter for link in patch.link}
    moved |= {control.parameter for control in patch.control if control.parameter is not None}
    moved |= {address for snapshot in patch.snapshot for address in snapshot.values}
    found = []
    for axis, name in enumerate(AXES[:2]):
        by_others = any(f"layer.{k + 1}.place.{what}.{name}" in moved for what in ("turn", "spin"))
        if by_others or values[f"spin.{name}"] != 0.0:
            found.append(axis)
    return found


def _eye(values: dict[str, float], further: float, axis: int) -> npt.NDArray[np.float64]:
    """Place of the eye as the model sees it, with a further turn about an axis; its direction alone without perspective.

    The layer's place backwards, as `engine.signal.directions` has it.
    """
    turn = [values[f"turn.{name}"] + (further if k == axis else 0.0) for k, name in enumerate(AXES)]
    move = np.array([values[f"move.{name}"] for name in AXES])
    size = np.array([values[f"scale.{name}"] * values["size"] for name in AXES])
    camera = values["camera"]
    with np.errstate(all="ignore"):
        x, y, z = np.array([0.0, 0.0, camera]) - move if math.isfinite(camera) else (0.0, 0.0, 1.0)
        x, y = _turned_back(x, y, turn[2])
        z, x = _turned_back(z, x, turn[1])
        y, z = _turned_back(y, z, turn[0])
        found = np.array([x, y, z]) / size
    # Any number may stand in a patch; what leads nowhere is looked at from the front.
    return found if np.isfinite(found).all() and np.any(found != 0.0) else np.array([0.0, 0.0, 1.0])


def _turned_back(a: float, b: float, turns: float) -> tuple[float, float]:
    sine, cosine = float(np.sin(math.tau * turns)), float(np.cos(math.tau * turns))
    return a * cosine + b * sine, b * cosine - a * sine
