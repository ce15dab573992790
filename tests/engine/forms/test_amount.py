"""The amount of every form: at 0 a sample passes untouched, whatever the other parameters are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instrument.engine.forms.form_table import FORM_KINDS, FORM_TABLE
from tests.engine.forming import Bench, drawing
from tests.strategies import any_number

if TYPE_CHECKING:
    from numpy.typing import NDArray

ODD_SAMPLES = (0.0, -0.0, np.nan, -np.nan, np.inf, -np.inf, 5e-324, 1e308, 1e-40)


def awkward() -> NDArray[np.float64]:
    """Return points in which every odd sample stands on every axis, beside usual ones."""
    points = drawing(3 * len(ODD_SAMPLES))
    for axis in range(3):
        points[axis * len(ODD_SAMPLES) :, axis][: len(ODD_SAMPLES)] = ODD_SAMPLES
    return points


@pytest.mark.parametrize("amount", [0.0, -0.0])
@pytest.mark.parametrize("kind", FORM_KINDS)
def test_an_amount_of_0_leaves_every_bit_of_every_sample(kind: str, amount: float) -> None:
    points = awkward()
    found = Bench([kind], **{f"{kind}_amount": amount}).form(points, position=0.37, rounds=5.0)
    assert found.tobytes() == points.tobytes()


@pytest.mark.parametrize("kind", FORM_KINDS)
@settings(max_examples=30)
@given(values=st.lists(any_number(), min_size=8, max_size=8))
def test_nothing_else_matters_at_an_amount_of_0(kind: str, values: list[float]) -> None:
    bench = Bench([kind])
    for row, value in zip(FORM_TABLE[kind].parameters, values, strict=False):
        bench.set(f"{kind}.{row.name}", value)
    bench.set(f"{kind}.amount", 0.0)
    points = awkward()
    assert bench.form(points, position=0.37, rounds=5.0).tobytes() == points.tobytes()


@pytest.mark.parametrize("kind", FORM_KINDS)
def test_an_amount_that_passes_0_leaves_the_samples_on_which_it_is_0(kind: str) -> None:
    points = drawing(150)
    amount = np.where(np.arange(150) % 3 == 0, 0.0, np.linspace(-1.0, 1.0, 150))
    still = amount == 0.0
    found = Bench([kind], **{f"{kind}_amount": amount}).form(points, position=0.87, rounds=5.0)
    assert found[still].tobytes() == points[still].tobytes()
    assert (found[~still] != points[~still]).any()


@pytest.mark.parametrize("kind", FORM_KINDS)
def test_a_form_that_is_only_named_shows_something_and_nothing_gets_lost(kind: str) -> None:
    # A rose of three petals; its bounds: what any form makes of it by default stays on the screen.
    turns = np.arange(4800) / 436.0
    radius = 0.6 * np.sin(2 * np.pi * 3 * turns)
    points = np.column_stack([radius * np.cos(2 * np.pi * turns), radius * np.sin(2 * np.pi * turns), 0.1 * radius])
    found = Bench([kind]).form(points, position=turns % 1.0, rounds=np.floor(turns))
    assert np.abs(found - points)[:, :2].max() > 0.02
    assert np.abs(found).max() < 1.2
    assert np.ptp(found[2000:, :2], axis=0).max() > 0.3


@pytest.mark.parametrize("kind", FORM_KINDS)
def test_the_first_parameter_of_every_form_is_its_amount(kind: str) -> None:
    assert FORM_TABLE[kind].parameters[0].name == "amount"
    assert FORM_TABLE[kind].parameters[0].default != 0.0
