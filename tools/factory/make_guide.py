"""Make the stills of the guide, of its patches and of what a coupling does: `python tools/factory/make_guide.py`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

from instrument.beam.look import Look
from instrument.beam.pictures import still
from instrument.engine.engine import Engine
from instrument.patch.build import build_program
from instrument.patch.patch_file import load_patch

if TYPE_CHECKING:
    import numpy.typing as npt

FOLDER = Path(__file__).resolve().parents[2] / "patches" / "guide"
COUPLING = "coupling.png"
RATE = 48_000
SIZE = 256
SECONDS = 0.7
EXPOSURE = 0.05
CORNER = 10.0
"""Corner of the coupling that is shown, in hertz: about where the outputs of sound interfaces have theirs."""


def picture(path: Path, corner: float = 0.0) -> npt.NDArray[np.uint8]:
    """Return the still of a patch [shape=(SIZE, SIZE, 3)], a moment after it has begun."""
    engine = Engine(RATE)
    engine.play(build_program(load_patch(path)))
    look = Look().with_setting("coupling", corner)
    return still(engine.render(round(SECONDS * RATE)), RATE, SIZE, EXPOSURE, look)


def coupling() -> npt.NDArray[np.uint8]:
    """Return two test pictures side by side, each as it is and behind a capacitor [shape=(SIZE, 4 * SIZE, 3)]."""
    paths = [FOLDER.parent / "calibration" / f"{name}.toml" for name in ("square", "ident")]
    return np.hstack([picture(path, corner) for path in paths for corner in (0.0, CORNER)])


def main(folder: Path = FOLDER) -> None:
    """Make them all."""
    made = {path.with_suffix(".png").name: picture(path) for path in sorted(FOLDER.glob("*.toml"))}
    for name, pixels in {**made, COUPLING: coupling()}.items():
        Image.fromarray(pixels).save(folder / name, optimize=True)
        print(name)


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
