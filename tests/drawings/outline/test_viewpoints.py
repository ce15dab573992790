"""Viewpoints: evenly about the model, and lines of neighbours laid against one another."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.drawings.outline.viewpoints import Viewpoints, aligned_views, sphere_directions
from instrument.drawings.routing.sampling import aligned
from instrument.drawings.routing.whole_strokes import turned_leaps


@given(count=st.integers(20, 2000), seed=st.integers(0, 2**32 - 1))
def test_no_side_of_the_sphere_is_far_from_a_direction(count: int, seed: int) -> None:
    looks = np.random.default_rng(seed).normal(size=(200, 3))
    looks /= np.linalg.norm(looks, axis=1, keepdims=True)
    nearest = (looks @ sphere_directions(count).T).max(axis=1)
    assert np.arccos(np.clip(nearest, -1, 1)).max() < 2.75 / math.sqrt(count)


def test_lines_begin_and_run_as_that_of_the_nearest_direction() -> None:
    turn = np.arange(64) * math.tau / 64
    path = np.stack([np.cos(turn), 0.5 * np.sin(turn), np.sin(2 * turn)], axis=1)
    random = np.random.default_rng(1)
    jump = np.arange(64) == 20  # from the point 20 of the path to 21
    given_paths, given_jumps = [], []
    for _ in range(12):
        shift, backwards = int(random.integers(64)), bool(random.random() < 0.5)
        given_paths.append(aligned(path, shift, backwards=backwards))
        given_jumps.append(turned_leaps(jump, shift, backwards=backwards))
    found, leaps = aligned_views(np.array(given_paths), np.array(given_jumps), sphere_directions(12))
    assert np.ptp(found, axis=0).max() == pytest.approx(0.0, abs=1e-12)
    assert (found[0] == given_paths[0]).all()
    assert (leaps == given_jumps[0]).all()


@pytest.mark.parametrize("directions", [((0.0, 0.0, 0.0),), ((1.0, math.nan, 0.0),), ((1.0, 0.0),), ()])
def test_a_direction_that_leads_nowhere_is_refused(directions: tuple[tuple[float, float, float], ...]) -> None:
    with pytest.raises(ValueError, match="direction"):
        Viewpoints(directions)
