"""Directions of a model: planned from the layer's place, and from what turns it."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from instrument.patch.model_views import RING, model_views, points_of_each
from instrument.patch.patch_file import patch_from_text

LAYER = """schema = 1
[[layer]]
source = { kind = "path", drawing = "buoy.obj", lines = "outline" }
"""


def planned(place: str = "", more: str = "", count: int = 300) -> tuple[np.ndarray, float, tuple[int, ...]]:
    text = LAYER + (f"place = {{ {place} }}\n" if place else "") + more
    views = model_views(patch_from_text(text, Path("buoy.toml")), 0, count)
    return views.viewpoints.units(), views.viewpoints.distance, views.stages


def test_a_model_at_rest_is_first_seen_as_it_stands_and_then_from_all_sides() -> None:
    directions, distance, stages = planned("turn = [0.1, 0.2, 0.3]")
    eye = Rotation.from_euler("xyz", np.array([0.1, 0.2, 0.3]) * math.tau).inv().apply([0, 0, 1])
    assert directions[0] == pytest.approx(eye)
    assert (len(directions), distance, stages) == (300, math.inf, (1, 300))
    assert np.abs(directions[1:].mean(axis=0)).max() < 0.02


@pytest.mark.parametrize(("axis", "name"), [(0, "x"), (1, "y")])
def test_a_layer_that_turns_about_one_axis_is_seen_from_a_ring_first(axis: int, name: str) -> None:
    spin = [0.0, 0.0, 0.5]
    spin[axis] = -0.1
    directions, _, stages = planned(f"spin = {spin}, turn = [0.05, 0.02, 0]")
    assert stages == (1, RING, 300)
    for step in (0, 1, 50, RING - 1):
        turn = np.array([0.05, 0.02, 0.0])
        turn[axis] += step / RING
        eye = Rotation.from_euler("xyz", turn * math.tau).inv().apply([0, 0, 1])
        assert directions[step] == pytest.approx(eye, abs=1e-9), name


@pytest.mark.parametrize(
    "more",
    [
        '[[control]]\nmessage = "cc"\nnumber = 1\nparameter = "layer.1.place.turn.y"\nrange = [0, 1]\n',
        '[[modulator]]\nname = "swell"\nkind = "lfo"\n[[link]]\nmodulator = "swell"\nparameter = "layer.1.place.spin.y"\n',
        '[[snapshot]]\nvalues = { "layer.1.place.turn.y" = 0.5 }\n',
    ],
)
def test_what_a_control_a_link_or_a_snapshot_turns_counts_as_turning(more: str) -> None:
    assert planned(more=more)[2] == (1, RING, 300)


def test_a_layer_that_turns_about_two_axes_is_seen_from_all_sides_at_once() -> None:
    assert planned("spin = [0.1, 0.1, 0]")[2] == (1, 300)


def test_no_more_directions_than_a_ring_are_a_ring_alone() -> None:
    directions, _, stages = planned("spin = [0, 0.1, 0]", count=12)
    assert stages == (1, 12)
    assert directions[:, 1] == pytest.approx(0.0, abs=1e-9)


def test_the_eye_is_as_far_as_the_camera_in_sizes_of_the_model_to_a_step_of_nine_percent() -> None:
    for camera, size in ((4.0, 1.0), (4.0, 0.5), (3.0, 0.82)):
        distance = planned(f"camera = {camera}, size = {size}")[1]
        assert abs(math.log2(distance / (camera / size))) <= 1 / 16 + 1e-9
    assert planned("camera = 4, size = 1")[1] == planned("camera = 4, size = 1.02")[1]


@pytest.mark.parametrize(
    "place", ["camera = 0", "camera = nan", "size = 0", "turn = [nan, inf, 0]", "move = [inf, 0, 0]"]
)
def test_any_number_in_a_place_gives_directions(place: str) -> None:
    directions, distance, _ = planned(place)
    assert np.isfinite(directions).all()
    assert distance > 0


def test_points_of_all_directions_stay_within_their_share_of_the_memory() -> None:
    for count in (1, 120, 512, 600, 2000, 4096):
        assert points_of_each(count) * count <= 1 << 19
        assert points_of_each(count) >= 128
