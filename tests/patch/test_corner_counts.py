"""Corners of what a pen runs along, which the window holds against the points of a cycle."""

from __future__ import annotations

import pytest

from instrument.patch.corner_counts import corners_of
from instrument.patch.patch_file import patch_from_text


@pytest.mark.parametrize(
    ("source", "corners"),
    [
        ('preset = "star"\ncorners = 7', 14),
        ('preset = "polygon"\ncorners = 5\nstep = 2', 5),
        ('preset = "rectangle"', 4),
        # Halfway along an edge there is no corner.
        ("points = [[0, 0], [0.5, 0], [1, 0], [0, 1]]", 3),
        ("frames = [[[0, 0], [1, 0], [0, 1]], [[0, 0], [1, 0], [1, 1], [0, 1]]]", 4),
    ],
)
def test_a_path_in_the_patch_itself_has_the_corners_that_its_pen_turns(source: str, corners: int) -> None:
    text = f'schema = 1\n[[layer]]\n[layer.source]\nkind = "harmonic"\n[[layer]]\n[layer.source]\nkind = "path"\n{source}\n'
    assert corners_of(patch_from_text(text), {}) == ((2, corners),)
