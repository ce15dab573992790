"""The bench's reference patch, its plain C twin and its percentiles."""

import os

import numpy as np
import pytest

from instrument.engine.engine import Engine
from instrument.engine.memory.layout import HISTOGRAM
from instrument.measure.callback_cost import (
    Cost,
    compiler,
    measure_cost,
    percentile_us,
    reference_chain,
    reference_program,
)


def test_plain_c_draws_the_same_as_the_engine() -> None:
    if compiler() is None and not os.environ.get("CI"):
        pytest.skip("no C compiler here; the automatic run has one")
    engine = Engine(48000.0)
    engine.play(reference_program(4))
    ours = engine.render(48000)
    theirs = np.zeros((48000, 2), np.float32)
    reference_chain(4, 48000.0).render_into(theirs)
    # The first milliseconds fade in; then only the rounding to float32 and the phases' last bits may differ.
    assert np.abs(ours[480:] - theirs[480:]).max() < 1e-6
    assert np.abs(ours[480:]).max() > 0.5


def test_the_cost_is_counted_for_both_sides() -> None:
    cost = measure_cost(48000.0, 64, 2, rounds=3, blocks=20)
    assert cost.layers == 2
    assert cost.ns_per_sample_per_layer > 0
    assert cost.period_us == pytest.approx(1333.33, abs=0.01)
    assert 0 < cost.p50_us <= cost.p999_us
    if compiler() is not None:
        assert cost.ratio_range is not None
        assert cost.ratio_to_c is not None
        assert cost.ratio_range[0] <= cost.ratio_to_c <= cost.ratio_range[1]


def test_a_percentile_is_the_upper_edge_of_its_bucket() -> None:
    histogram = np.zeros(HISTOGRAM, np.int64)
    histogram[4], histogram[9] = 999, 1
    assert percentile_us(histogram, 0.5) == 5.0
    assert percentile_us(histogram, 0.999) == 5.0
    assert percentile_us(histogram, 1.0) == 10.0
    assert percentile_us(np.zeros(HISTOGRAM, np.int64), 0.5) == 0.0


def test_without_a_compiler_the_words_say_so() -> None:
    cost = Cost(48000.0, 64, 4, 12.34, None, None, None, 5.0, 9.0, 1333.3)
    assert cost.in_words().splitlines() == [
        "4 layers at 48000 Hz in blocks of 64 frames:",
        "  12.3 ns a sample and layer",
        "  no C compiler here to compare with",
        "  a callback takes 5 us, 99.9 percent within 9 us, of 1333 us",
    ]


def test_with_one_the_words_give_the_ratio_and_its_range() -> None:
    cost = Cost(48000.0, 64, 4, 10.0, 25.0, 2.5, (2.0, 3.0), 5.0, 9.0, 1333.3)
    assert (
        "25.0 ns for the same chain in plain C, 2.50 times ours\n  (single rounds from 2.00 to 3.00)" in cost.in_words()
    )
