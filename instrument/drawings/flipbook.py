"""Several drawings in order are the frames of a flip-book: a numbered folder, or files as they are named."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from instrument.drawings.limits import DEFAULT, Limits
from instrument.drawings.readers.by_ending import READERS
from instrument.drawings.refusal import DrawingError

if TYPE_CHECKING:
    from collections.abc import Sequence

NUMBER = re.compile(r"\d+")


def frame_files(paths: Sequence[str | Path], limits: Limits = DEFAULT) -> list[Path]:
    """List the drawings that a player named: each file, and a folder's numbered drawings in order.

    Parameters
    ----------
    paths : sequence of str or Path
    limits : Limits

    Returns
    -------
    list of Path
        At least one.

    Raises
    ------
    DrawingError
        If a folder holds no numbered drawing, or there are too many.
    """
    found: list[Path] = []
    for path in map(Path, paths):
        found += _numbered(path) if path.is_dir() else [path]
    if not found:
        raise DrawingError("no drawing was named")
    if len(found) > limits.frames:
        raise DrawingError(f"{len(found):,} frames; at most {limits.frames:,} are allowed")
    return found


def _numbered(folder: Path) -> list[Path]:
    drawings = [
        (int(numbers[-1]), path.name, path)
        for path in folder.iterdir()
        if path.suffix.lower() in READERS and path.is_file() and (numbers := NUMBER.findall(path.stem))
    ]
    if not drawings:
        raise DrawingError(
            "the folder holds no numbered drawing; name its frames heron_1.svg, heron_2.svg and so on",
            folder.name,
        )
    return [path for _, _, path in sorted(drawings)]
