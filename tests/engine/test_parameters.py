"""The table of parameters, and finding them by address."""

from __future__ import annotations

import pytest

from instrument.engine.forms.form_table import FORM_ROWS
from instrument.engine.parameters import (
    ADDRESSES,
    COUNT,
    INDEX,
    LAYER,
    LAYER_SIZE,
    LAYERS,
    LINK_BASE,
    MODULATOR_BASE,
    PATCH_BASE,
    ROWS,
    index_of,
    offset_in,
)


def test_every_address_is_there_once() -> None:
    assert len(set(ADDRESSES)) == len(ADDRESSES) == len(ROWS) == len(INDEX) == COUNT


def test_every_row_says_what_it_does_and_in_which_unit() -> None:
    for address, row in zip(ADDRESSES, ROWS, strict=True):
        assert row.unit, address
        assert len(row.about) > 5, address
        assert "{" not in row.about, address
        assert address.endswith(row.name)


def test_a_parameter_that_selects_names_its_choices_and_starts_at_one_of_them() -> None:
    selecting = [row for row in ROWS if row.unit == "choice"]
    forms = {row.name for row in FORM_ROWS if row.choices}
    assert {row.name for row in selecting} >= {
        "pen.direction",
        "shape",
        "mix.mode",
        "gate",
        "tempo.tap",
    } | forms
    for row in ROWS:
        assert bool(row.choices) == (row.unit == "choice"), row.name
        if row.choices:
            assert len(set(row.choices)) == len(row.choices)
            assert row.default in range(len(row.choices))


@pytest.mark.parametrize(
    ("address", "index"),
    [
        ("layer.1.level", 0),
        ("layer.2.level", LAYER_SIZE),
        (f"layer.{LAYERS}.level", (LAYERS - 1) * LAYER_SIZE),
        ("mod.1.shape", MODULATOR_BASE),
        ("link.1.depth", LINK_BASE),
        ("mix.mode", PATCH_BASE),
    ],
)
def test_an_address_leads_to_the_place_that_kernels_count_to(address: str, index: int) -> None:
    assert index_of(address) == index
    assert ADDRESSES[index] == address


def test_an_offset_is_the_place_among_the_owners_rows() -> None:
    assert LAYER[offset_in(LAYER, "place.spin.y")].name == "place.spin.y"
    with pytest.raises(KeyError, match=r"place\.spin\.w"):
        offset_in(LAYER, "place.spin.w")


def test_a_misspelt_address_is_answered_with_the_nearest_one() -> None:
    with pytest.raises(KeyError, match=r"did you mean layer\.1\.place\.spin\.y"):
        index_of("layer.1.plac.spin.y")


def test_an_address_like_no_other_is_answered_with_an_example() -> None:
    with pytest.raises(KeyError, match=r"addresses look like layer\.1\.place\.spin\.y"):
        index_of("zzzzqqqq")
