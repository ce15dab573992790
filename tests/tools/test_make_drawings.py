"""The factory drawings are what their maker draws, and each is one line of a known cost."""

from pathlib import Path

import make_drawings
import pytest

from instrument.patch.factory import factory_folder
from instrument.shapes.line import RouteOptions
from instrument.shapes.load import LoadOptions, find_routes


@pytest.mark.parametrize("name", ["heron.svg", "boat.obj"])
def test_the_factory_drawing_is_what_its_maker_draws(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.argv", ["make_drawings.py", str(tmp_path)])
    make_drawings.main()
    assert (factory_folder() / name).read_bytes() == (tmp_path / name).read_bytes()


@pytest.mark.parametrize(("name", "depth"), [("heron.svg", False), ("boat.obj", True)])
def test_it_is_drawn_whole_without_a_warning(name: str, depth: bool) -> None:
    options = LoadOptions(route=RouteOptions(jump_cost=float("inf")))
    (found,) = find_routes([factory_folder() / name], options=options)
    assert found.warnings == ()
    assert found.figures.exact
    assert found.figures.repeated_length == pytest.approx(found.figures.lower_bound)
    assert (found.line[:, 2] != 0).any() == depth
    # At 110 Hz and 48,000 samples a second, both share 436 points of a cycle.
    assert found.figures.corners < 218
