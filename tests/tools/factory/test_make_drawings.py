"""The factory drawings are what their makers draw, and each is one line of few corners."""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from instrument.drawings.load import LoadOptions, find_routes
from instrument.drawings.readers.by_ending import Lines, ReadOptions
from instrument.drawings.routing.closed_line import RouteOptions
from instrument.patch.factory import factory_folder
from tools.factory import make_drawings
from tools.factory.solid_drawings import SOLIDS

FOLDER = factory_folder() / "drawings"


def test_the_factory_drawings_are_what_their_makers_draw(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.argv", ["make_drawings.py", str(tmp_path)])
    make_drawings.main()
    made = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file())
    assert made == sorted(path.relative_to(FOLDER) for path in FOLDER.rglob("*") if path.is_file())
    for name in made:
        if name.suffix == ".png":  # other versions of the compressor write other bytes
            kept, found = (np.asarray(Image.open(folder / name)) for folder in (FOLDER, tmp_path))
            assert np.array_equal(kept, found)
        else:
            assert (FOLDER / name).read_bytes() == (tmp_path / name).read_bytes()


@pytest.mark.parametrize("name", sorted(name for name in make_drawings.texts() if "/" not in name))
def test_it_is_drawn_whole_without_a_warning(name: str) -> None:
    # Of a solid, the side that is seen from the front.
    lines: Lines = "outline" if name in SOLIDS else "edges"
    options = LoadOptions(ReadOptions(lines=lines), RouteOptions(jump_cost=float("inf")))
    (found,) = find_routes([FOLDER / name], options=options)
    assert found.warnings == ()
    assert found.figures.exact
    assert found.figures.repeated_length == pytest.approx(found.figures.lower_bound)
    assert (found.line[:, 2] != 0).any() == name.endswith(".obj")
    # Two of them in turns at 110 Hz and 48,000 samples a second have 218 points of a cycle each.
    assert found.figures.corners < 218


def test_the_frames_of_the_flip_book_are_one_line_each_and_alike_in_corners() -> None:
    frames = find_routes([FOLDER / make_drawings.FLIGHT])
    assert len(frames) >= 12
    assert max(frame.figures.corners for frame in frames) - min(frame.figures.corners for frame in frames) <= 2
    assert all(frame.figures.components == 1 and frame.figures.jumps == 0 for frame in frames)
