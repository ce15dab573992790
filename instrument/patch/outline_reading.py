"""Outlines read from many directions, all at once or stage by stage, so that the first one plays while others are drawn."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from instrument.drawings.outline.viewpoints import Viewpoints, aligned_views
from instrument.patch.drawing_cache import SampledDrawing

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    from instrument.drawings.load import LoadOptions, SampledFrames
    from instrument.patch.model_views import ModelViews

    Load = Callable[[LoadOptions], SampledFrames]

AT_A_TIME = 60
"""Directions of one job of the process that reads: some seconds, after which what waits behind it has its turn."""

_MOST_UNDER_WAY = 8


@dataclass
class _UnderWay:
    """Part of an outline that has been drawn, and the part of it that is played."""

    points: list[npt.NDArray[np.float64]] = field(default_factory=list)
    leaps: list[npt.NDArray[np.bool_]] = field(default_factory=list)
    done: int = 0
    corners: int = 0
    warnings: dict[str, None] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
    played: SampledDrawing | None = None


_under_way: OrderedDict[str, _UnderWay] = OrderedDict()


def read_outline(key: str, views: ModelViews, options: LoadOptions, load: Load, *, in_stages: bool) -> SampledDrawing:
    """Read an outline from every direction, or from some more than the last time.

    Parameters
    ----------
    key : str
        The same for the same contents and settings alone.
    views : ModelViews
    options : LoadOptions
        Without viewpoints.
    load : callable
        Reads the lines of the directions in its options.
    in_stages : bool
        Do one part of the work and return what can be played by now; whoever wants the rest asks again.

    Returns
    -------
    SampledDrawing
        `unfinished` says whether there is more to come; its key then tells how many directions it has.

    Raises
    ------
    DrawingError
        If the drawing is refused.
    """
    going = _under_way.pop(key, None) or _UnderWay()
    total = len(views.viewpoints.directions)
    while going.done < total:
        _go_on(key, going, views, options, load)
        if in_stages:
            break
    if going.done < total:
        _under_way[key] = going
        while len(_under_way) > _MOST_UNDER_WAY:
            _under_way.popitem(last=False)
    assert going.played is not None  # noqa: S101 - the first stage is one direction, so there is one after any part
    return going.played


def _go_on(key: str, going: _UnderWay, views: ModelViews, options: LoadOptions, load: Load) -> None:
    total = len(views.viewpoints.directions)
    stage = next(stage for stage in views.stages if stage > going.done)
    stop = min(stage, going.done + AT_A_TIME)
    some = Viewpoints(views.viewpoints.directions[going.done : stop], views.viewpoints.distance)
    loaded = load(replace(options, views=some))
    going.points.append(loaded.points)
    going.leaps.append(loaded.leaps)
    going.done = stop
    going.corners = max(going.corners, *(figures.corners for figures in loaded.figures))
    going.warnings |= dict.fromkeys(loaded.warnings)
    going.left_out = going.left_out or loaded.left_out
    words = f"{stop:,} of {total:,} directions" if stop < total else ""
    if stop in views.stages:
        directions = np.array(views.viewpoints.directions[:stop])
        points, leaps = aligned_views(np.concatenate(going.points), np.concatenate(going.leaps), directions)
        name = f"{key}-{stop}" if words else key
        said = tuple(going.warnings), leaps, going.left_out
        going.played = SampledDrawing(name, points, going.corners, *said, directions, words)
    elif going.played is not None:
        going.played = replace(going.played, unfinished=words)
