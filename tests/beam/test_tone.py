"""From light to pixel values."""

import numpy as np
import pytest

from instrument.beam.develop import STEPS
from instrument.beam.phosphor import TYPES
from instrument.beam.tone import channel_tables, encode_srgb, step_values, whitened


def test_srgb_is_the_published_curve() -> None:
    # IEC 61966-2-1 (from memory): 0.5 in values is 0.2140 in light; the two pieces meet at 0.0031308.
    np.testing.assert_allclose(encode_srgb([0, 0.0031308, 0.21404114, 1]), [0, 0.04045, 0.5, 1], atol=1e-5)


def test_steps_are_a_hundredth_of_their_light_apart() -> None:
    values = step_values()
    assert values[1] == pytest.approx(2**-16, rel=0.02)
    assert values[-1] == pytest.approx(2**12, rel=0.02)
    np.testing.assert_array_less(np.diff(values[1:]) / values[1:-1], 0.008)


def test_more_light_is_never_darker_and_neighbours_differ_by_a_step_at_most() -> None:
    table = channel_tables(whitened(TYPES["P31"].colours(1))[0], 400.0, (0, 0, 0), together=True)
    assert len(table) == STEPS
    for shift in (0, 8, 16):
        channel = (table >> np.uint32(shift) & np.uint32(255)).astype(int)
        assert channel[0] == 0
        assert set(np.diff(channel)) <= {0, 1, 2}


def test_a_light_of_one_gives_half_of_the_displays_light() -> None:
    table = channel_tables(np.ones(3), 1e9, (0, 0, 0), together=False).reshape(3, -1)
    at = int(np.searchsorted(step_values(), 1.0))
    assert int(table[2, at]) == pytest.approx(255 * 0.7354, abs=1.5)  # sRGB value of one half


def test_saturation_halves_a_light_as_strong() -> None:
    at = int(np.searchsorted(step_values(), 8.0))
    halved = channel_tables(np.ones(3), 8.0, (0, 0, 0), together=False)[2 * STEPS + at]
    plain = channel_tables(np.ones(3), 1e12, (0, 0, 0), together=False)[
        2 * STEPS + int(np.searchsorted(step_values(), 4.0))
    ]
    assert int(halved) == pytest.approx(int(plain), abs=1)


def test_strong_light_turns_white() -> None:
    table = channel_tables(whitened(TYPES["P1"].colours(1))[0], 400.0, (0, 0, 0), together=True)
    assert min(int(table[-1]) >> shift & 255 for shift in (16, 8, 0)) > 220
