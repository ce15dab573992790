"""Sorting numbers with their places gives what sorting places by number gives."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from instrument.drawings.routing.edge_arrays import first_occurrences, stable_argsort

KEYS = st.lists(st.integers(0, 9) | st.integers(0, 2**63 - 1), max_size=60)


@given(KEYS)
def test_the_order_is_that_of_a_stable_sort(keys: list[int]) -> None:
    array = np.asarray(keys, np.int64)
    assert stable_argsort(array).tolist() == sorted(range(len(keys)), key=keys.__getitem__)


@given(KEYS)
def test_the_first_of_each_number_is_found(keys: list[int]) -> None:
    array = np.asarray(keys, np.int64)
    assert first_occurrences(array).tolist() == sorted(keys.index(key) for key in set(keys))
