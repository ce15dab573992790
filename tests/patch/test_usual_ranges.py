"""Every parameter has a range that a knob can sweep."""

from __future__ import annotations

import math

import pytest

from instrument.engine.parameters import ADDRESSES, INDEX, ROWS
from instrument.patch.usual_ranges import range_around, usual_range


def test_every_parameter_has_a_range_that_its_curve_can_sweep() -> None:
    for address in ADDRESSES:
        usual = usual_range(address)
        assert -math.inf < usual.low < usual.high < math.inf, address
        assert usual.curve == "lin" or usual.low > 0.0, address


def test_what_the_parameter_is_by_itself_lies_within_the_range_proposed_for_it() -> None:
    for address in ADDRESSES:
        default = ROWS[INDEX[address]].default
        around = range_around(address, default)
        assert not math.isfinite(default) or around.low <= default <= around.high, address


@pytest.mark.parametrize("value", [-3.0, 0.0, 1e9])
def test_a_range_grows_to_hold_a_value(value: float) -> None:
    around = range_around("layer.1.pen.frequency", value)
    assert around.low <= value <= around.high
    assert around.curve == "lin" or around.low > 0.0
