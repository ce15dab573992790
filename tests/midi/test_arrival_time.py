"""Sample times from noisy clocks."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instrument.engine.memory.allocation import Memory, allocate
from instrument.midi.arrival_time import ArrivalClock, SampleClock, SlidingMinimum

RATE = 48_000.0
BLOCK = 64
PERIOD_NS = BLOCK / RATE * 1e9


@pytest.fixture(scope="module")
def memory() -> Memory:
    return allocate(RATE, ring_seconds=0.01)


def call_back(memory: Memory, time: int, ns: float) -> None:
    memory.record["anchor_count"] += 2
    memory.record["anchor_time"] = time
    memory.record["anchor_ns"] = int(ns)


@given(st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=60), st.integers(1, 20))
def test_the_earliest_is_the_smallest_of_the_window(values: list[float], window: int) -> None:
    earliest = SlidingMinimum(window)
    for now, value in enumerate(values):
        assert earliest.add(now, value) == min(values[max(0, now - window) : now + 1])


class TestSampleClock:
    def test_before_the_first_callback_there_is_no_time(self, memory: Memory) -> None:
        memory.record["anchor_count"] = 0
        assert not SampleClock(memory.address, RATE).observe()

    def test_late_callbacks_do_not_shake_it(self, memory: Memory) -> None:
        noise = random.Random(1)
        clock = SampleClock(memory.address, RATE)
        errors = []
        for k in range(2000):
            late = noise.expovariate(1 / 100_000)  # a tenth of a millisecond on average
            call_back(memory, k * BLOCK, 5e9 + k * PERIOD_NS + late)
            assert clock.observe()
            if k > 400:
                errors.append(clock.sample_at(5e9 + k * PERIOD_NS) - k * BLOCK)
        assert np.ptp(errors) < 0.25
        assert abs(np.mean(errors)) < 0.25

    def test_it_follows_a_device_whose_clock_is_off(self, memory: Memory) -> None:
        clock = SampleClock(memory.address, RATE)
        for k in range(5000):
            now = k * PERIOD_NS * (1 + 200e-6)
            call_back(memory, k * BLOCK, now)
            clock.observe()
        assert abs(clock.sample_at(now) - k * BLOCK) < 200e-6 * 0.6 * RATE

    @pytest.mark.parametrize("stall_ns", [1e6, 40e6, 3e9])
    def test_time_that_the_device_has_lost_is_forgotten_within_a_few_callbacks(
        self, memory: Memory, stall_ns: float
    ) -> None:
        clock = SampleClock(memory.address, RATE)
        for k in range(400):
            now = k * PERIOD_NS + (0 if k < 390 else stall_ns)
            call_back(memory, k * BLOCK, now)
            clock.observe()
        assert clock.sample_at(now) == pytest.approx(k * BLOCK, abs=0.1)

    def test_a_pause_that_is_made_up_moves_nothing(self, memory: Memory) -> None:
        clock = SampleClock(memory.address, RATE)
        for k in range(400):
            late = max(0.0, 4e6 - abs(k - 395) * PERIOD_NS)
            call_back(memory, k * BLOCK, k * PERIOD_NS + late)
            clock.observe()
        assert clock.sample_at(399 * PERIOD_NS) == pytest.approx(399 * BLOCK, abs=0.1)

    @pytest.mark.parametrize("turn_ns", [-300_000, 0, 150_000, 900_000])
    def test_a_stamp_anywhere_in_a_period_means_its_beginning(self, memory: Memory, turn_ns: float) -> None:
        clock = SampleClock(memory.address, RATE)
        for k in range(100):
            call_back(memory, 17 + k * BLOCK, 3e9 + k * PERIOD_NS)
            clock.observe()
        for k in (98, 99, 100):
            assert clock.period_at(3e9 + k * PERIOD_NS + turn_ns, BLOCK) == 17 + k * BLOCK

    def test_a_pair_that_is_being_written_is_not_read(self, memory: Memory) -> None:
        clock = SampleClock(memory.address, RATE)
        call_back(memory, 6400, 1e9)
        clock.observe()
        memory.record["anchor_count"] += 1
        memory.record["anchor_ns"] = 77
        clock.observe()
        assert clock.sample_at(1e9) == pytest.approx(6400, abs=1e-3)
        memory.record["anchor_count"] += 1


class TestArrivalClock:
    def test_the_pause_between_polls_is_not_heard(self) -> None:
        noise = random.Random(2)
        clock = ArrivalClock()
        errors = []
        at = before = 7_000_000_000
        for k in range(1000):
            at += noise.randrange(1_000_000, 20_000_000)
            polled = at + noise.randrange(0, 400_000)
            arrival = clock.arrival_ns((at - before) / 1e9 if k else 0.0, polled)
            before = at
            assert arrival <= polled
            if k > 100:
                errors.append(arrival - at)
        assert np.percentile(errors, 99) - np.percentile(errors, 1) < 20_000

    def test_messages_found_by_one_poll_keep_their_distance(self) -> None:
        clock = ArrivalClock()
        first = clock.arrival_ns(0.0, 1_000_000_000)
        second = clock.arrival_ns(0.003, 1_003_000_000)
        third = clock.arrival_ns(0.002, 1_010_000_000)
        assert second - first == pytest.approx(3e6)
        assert third - second == pytest.approx(2e6)

    def test_a_clock_that_stood_still_is_not_believed(self) -> None:
        clock = ArrivalClock()
        clock.arrival_ns(0.0, 1_000_000_000)
        assert clock.arrival_ns(0.001, 1_900_000_000) == 1_900_000_000
