"""Billow, noise, ring and gaps, against their formulas written out in NumPy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.engine.forming import RATE, Bench, assert_near, drawing

MASK = (1 << 64) - 1

# The first outputs of splitmix64 seeded with 0, as published with the generators of S. Vigna, https://prng.di.unimi.it
# (from memory; the first is also the value that the JDK's SplittableRandom(0) begins with).
SPLITMIX_FROM_0 = (0xE220A8397B1DCDAF, 0x6E789E6AA1B965F4, 0x06C45D188009454F)


def splitmix(number: int, key: int = 0) -> int:
    """Return output `number` of the generator splitmix64 begun at `key`."""
    z = ((number + 1) * 0x9E3779B97F4A7C15 + key) & MASK
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & MASK
    return z ^ (z >> 31)


def thrown(number: int, seed: int) -> list[float]:
    bits = splitmix(number, splitmix(seed))
    return [((bits >> 21 * axis) % (1 << 21)) / (1 << 20) - 1 for axis in range(3)]


@settings(max_examples=30)
@given(
    amount=st.floats(-0.5, 0.5).filter(bool),
    waves=st.floats(-30.0, 30.0),
    phase=st.floats(-1.0, 1.0),
    by=st.integers(0, 1),
    into=st.integers(0, 1),
)
def test_ripple_is_a_sine_of_the_path_or_the_radius(
    amount: float, waves: float, phase: float, by: int, into: int
) -> None:
    points = drawing()
    position = np.linspace(0.0, 3.0, 200)
    radius = np.hypot(points[:, 0], points[:, 1])
    height = amount * np.sin(2 * np.pi * (waves * (radius if by else position) + phase))
    wanted = points.copy()
    if into:
        wanted[:, 2] += height
    else:
        wanted[:, :2] *= (1 + height / radius)[:, None]
    bench = Bench(
        ["billow"],
        billow_amount=amount,
        billow_waves=waves,
        billow_phase=phase,
        billow_by=by,
        billow_into=into,
    )
    assert_near(bench.form(points, position=position), wanted)


def test_the_very_middle_is_not_moved_by_a_ripple_in_the_plane() -> None:
    points = np.zeros((5, 3))
    np.testing.assert_array_equal(Bench(["billow"], billow_phase=0.25).form(points), points)


def test_the_reference_generator_is_splitmix64() -> None:
    assert tuple(splitmix(number) for number in range(3)) == SPLITMIX_FROM_0


@pytest.mark.parametrize("seed", [0, 1, 2, 12345, 2**53])
def test_noise_at_the_sample_rate_is_the_generators_numbers(seed: int) -> None:
    points = drawing()
    found = Bench(["noise"], noise_amount=0.25, noise_rate=RATE, noise_seed=seed).form(points)
    wanted = points + 0.25 * np.array([thrown(number, seed) for number in range(200)])
    np.testing.assert_array_equal(found, wanted)


def test_noise_glides_from_number_to_number_or_jumps() -> None:
    steps = 16
    numbers = np.array([thrown(number, 1) for number in range(14)])
    at = np.arange(200) // steps
    f = np.arange(200) % steps / steps
    smooth = f * f * (3 - 2 * f)
    quiet = np.zeros((200, 3))
    gliding = Bench(["noise"], noise_amount=1.0, noise_rate=RATE / steps).form(quiet)
    wanted = numbers[at] + (numbers[at + 1] - numbers[at]) * smooth[:, None]
    assert_near(gliding, wanted)
    jumping = Bench(["noise"], noise_amount=1.0, noise_rate=RATE / steps, noise_glide=0.0).form(quiet)
    np.testing.assert_array_equal(jumping, numbers[at])


def test_noise_that_runs_backward_gives_the_same_numbers_the_other_way() -> None:
    bench = Bench(["noise"], noise_amount=1.0, noise_rate=RATE)
    there = bench.form(np.zeros((100, 3)))
    bench.set("noise.rate", -RATE)
    bench.form(np.zeros((1, 3)))
    back = bench.form(np.zeros((100, 3)))
    np.testing.assert_array_equal(back, there[::-1])


def test_noise_that_stands_still_throws_every_sample_alike() -> None:
    found = Bench(["noise"], noise_amount=1.0, noise_rate=0.0).form(np.zeros((100, 3)))
    np.testing.assert_array_equal(found, [thrown(0, 1)] * 100)


def test_noise_is_white_even_and_without_a_tie_between_axes_and_seeds() -> None:
    count = 1 << 15
    found = [
        Bench(["noise"], noise_amount=1.0, noise_rate=RATE, noise_seed=seed).form(np.zeros((count, 3)))
        for seed in (1, 2)
    ]
    numbers = np.hstack(found).T
    # An even distribution from -1 to 1 has the mean 0 and the variance 1/3; four standard errors are allowed.
    np.testing.assert_allclose(numbers.mean(axis=1), 0.0, atol=4 * np.sqrt(1 / 3 / count))
    np.testing.assert_allclose(numbers.var(axis=1), 1 / 3, atol=4 * np.sqrt(4 / 45 / count))
    ties = np.asarray(np.corrcoef(np.vstack([numbers, numbers[:, np.r_[1:count, 0]]])))
    assert np.abs(ties[~np.eye(12, dtype=bool)]).max() < 5 / np.sqrt(count)


@settings(max_examples=30)
@given(
    amount=st.floats(-1.0, 1.0).filter(bool),
    gain=st.floats(-4.0, 4.0),
    shares=st.tuples(*[st.floats(0.0, 1.0)] * 2),
)
def test_ring_blends_in_the_product_of_x_and_y(amount: float, gain: float, shares: tuple[float, float]) -> None:
    points = drawing()
    x, y, z = points.T
    product = gain * x * y
    wanted = np.column_stack([x + amount * shares[0] * (product - x), y + amount * shares[1] * (product - y), z])
    bench = Bench(["ring"], ring_amount=amount, ring_gain=gain, ring_x=shares[0], ring_y=shares[1])
    assert_near(bench.form(points), wanted)


def test_ring_modulation_leaves_sum_and_difference_of_the_frequencies() -> None:
    # sin a sin b = (cos(a - b) - cos(a + b)) / 2: neither frequency itself is left.
    count = 4800
    seconds = np.arange(count) / RATE
    x = 0.5 * np.sin(2 * np.pi * 3000.0 * seconds)
    y = 0.5 * np.sin(2 * np.pi * 700.0 * seconds)
    found = Bench(["ring"]).form(np.column_stack([x, y, 0 * x]))
    spectrum = 2 * np.abs(np.fft.rfft(found[:, 0])) / count
    lines = {3000 - 700: 0.25, 3000 + 700: 0.25}
    for bin_, height in enumerate(spectrum):
        assert height == pytest.approx(lines.get(bin_ * 10, 0.0), abs=1e-12), bin_ * 10
    np.testing.assert_array_equal(found[:, 1], y)


@settings(max_examples=30)
@given(
    gates=st.floats(0.0, 40.0),
    share=st.floats(0.0, 1.0),
    phase=st.floats(-1.0, 1.0),
    amount=st.floats(0.1, 1.0),
)
def test_chop_draws_a_share_of_every_gate(gates: float, share: float, phase: float, amount: float) -> None:
    points = drawing()
    position = np.linspace(0.0, 2.0, 200)
    turns = gates * position + phase
    is_open = (turns - np.floor(turns)) % 1.0 < share
    bench = Bench(["gaps"], gaps_gates=gates, gaps_open=share, gaps_phase=phase, gaps_amount=amount)
    found = bench.form(points, position=position)
    assert found[is_open].tobytes() == points[is_open].tobytes()
    assert_near(found[~is_open], points[~is_open] * (1 - amount))


def test_the_beam_may_wait_where_the_dash_has_ended() -> None:
    points = drawing()
    position = np.arange(200) / 40.0
    found = Bench(["gaps"], gaps_gates=4, gaps_rest=1).form(points, position=position)
    for k in range(200):
        latest = k if k % 10 < 5 else k - k % 10 + 4
        np.testing.assert_array_equal(found[k], points[latest])


@pytest.mark.parametrize("share", [1.0, 1.5, np.inf])
def test_a_gate_that_is_always_open_leaves_the_drawing(share: float) -> None:
    points = drawing()
    found = Bench(["gaps"], gaps_open=share).form(points, position=np.linspace(0, 1, 200))
    assert found.tobytes() == points.tobytes()
