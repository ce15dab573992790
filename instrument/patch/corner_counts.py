"""How many corners the pen of each layer turns: those of drawings from files, of texts, and of paths in the patch itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from instrument.drawings.limits import DEFAULT_TOLERANCES
from instrument.drawings.routing.closed_line import corner_steps
from instrument.patch.schema.sources import Along

if TYPE_CHECKING:
    from collections.abc import Mapping

    from instrument.patch.drawing_cache import Drawn
    from instrument.patch.schema.patch_schema import Patch


def corners_of(patch: Patch, drawings: Mapping[int, Drawn]) -> tuple[tuple[int, int], ...]:
    """Return number, from 1, and corners of each layer that runs along a path.

    Parameters
    ----------
    patch : Patch
    drawings : mapping of int to Drawn
        Its drawings by layer, counted from 0.
    """
    found = []
    for k, layer in enumerate(patch.layer):
        if k in drawings:
            found.append((k + 1, drawings[k].corners))
        elif isinstance(layer.source, Along):
            # Of a flip-book, the frame that has most.
            frames = layer.source.frames_of_path()
            turns = [int(corner_steps(frame, DEFAULT_TOLERANCES.corner_degrees).sum()) for frame in frames]
            found.append((k + 1, max(turns)))
    return tuple(found)
