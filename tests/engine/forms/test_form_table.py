"""The table of forms, and the parameters that it gives every layer."""

from __future__ import annotations

import pytest

from instrument.engine.forms.form_table import FORM_KINDS, FORM_ROWS, FORM_TABLE
from instrument.engine.memory.layout import FORMS
from instrument.engine.parameters import INDEX, LAYER, LAYERS, ROWS, offset_in


def test_every_kind_has_a_number_and_a_layer_has_room_for_all() -> None:
    assert tuple(FORM_TABLE) == FORM_KINDS
    assert len(FORM_KINDS) <= FORMS


def test_the_rows_of_a_kind_lie_together_in_the_order_of_the_kinds() -> None:
    offsets = [offset_in(LAYER, row.name) for row in FORM_ROWS]
    assert offsets == list(range(offsets[0], offsets[0] + len(FORM_ROWS)))
    kinds = [row.name.split(".")[1] for row in FORM_ROWS]
    assert sorted(kinds, key=FORM_KINDS.index) == kinds


@pytest.mark.parametrize("layer", range(1, LAYERS + 1))
def test_every_layer_has_them_by_address(layer: int) -> None:
    for row in FORM_ROWS:
        found = ROWS[INDEX[f"layer.{layer}.{row.name}"]]
        assert found == row


@pytest.mark.parametrize("kind", FORM_KINDS)
def test_every_kind_says_what_it_does_to_z_or_to_the_third_dimension(kind: str) -> None:
    text = " ".join(f"{row.name} {row.about}" for row in FORM_TABLE[kind].parameters).replace(",", " ").split()
    assert "z" in text or any(word.endswith(".z") for word in text), kind
