"""The engine's Python door: what it checks, and what it says about it."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np
import pytest

from instrument.engine.engine import Engine, EngineFullError, set_event, swap_event
from instrument.engine.memory.layout import POOL, RING_EVENTS, SLOTS
from instrument.engine.parameters import ADDRESSES
from tests.engine.playing import RATE, bare_program, dot, one_circle, started

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from instrument.engine.program import Program


def path_of(count: int, x: float = 0.5) -> Program:
    program = bare_program()
    program.draw_path(0, np.full((count, 3), x))
    program.schedule()
    return program


@pytest.mark.parametrize(
    "out",
    [
        np.zeros((64, 2), np.float64),
        np.zeros((64, 3), np.float32),
        np.zeros(128, np.float32),
        np.zeros((2, 64), np.float32).T,
        np.zeros((128, 2), np.float32)[::2],
        np.zeros((1, 64, 2), np.float32),
    ],
)
def test_a_buffer_of_another_kind_is_refused(out: NDArray[np.float32]) -> None:
    with pytest.raises(ValueError, match=r"it must be contiguous float32 \(frames, 2\)"):
        started(one_circle()).render_into(out)


def test_no_frames_are_no_work() -> None:
    engine = started(one_circle())
    engine.render_into(np.zeros((0, 2), np.float32))
    assert engine.render(0).shape == (0, 2)
    assert engine.time == 1


def test_nothing_loaded_is_silence() -> None:
    assert (Engine(RATE).render(1000) == 0.0).all()


def test_time_counts_rendered_samples() -> None:
    engine = Engine(RATE)
    engine.render(1000, block=7)
    assert engine.time == int(engine.record["counters"]["frames"]) == 1000
    assert int(engine.record["counters"]["callbacks"]) == 143
    assert int(engine.record["counters"]["largest_block"]) == 7
    assert int(engine.record["counters"]["smallest_block"]) == 6


def test_the_callbacks_clock_is_the_systems_monotonic_clock() -> None:
    engine = Engine(RATE)
    engine.render(100)
    before = time.monotonic_ns()
    engine.render(50)
    after = time.monotonic_ns()
    assert before <= int(engine.record["anchor_ns"]) <= after
    assert int(engine.record["anchor_time"]) == 100
    assert int(engine.record["anchor_count"]) == 4


def test_the_loudest_sample_since_it_was_last_set_to_zero_can_be_read() -> None:
    engine = started(dot(0.5, -0.25))
    engine.render(10)
    np.testing.assert_array_equal(engine.record["peak"], [0.5, 0.25])
    engine.set("output.gain.x", 0.5)
    engine.record["peak"][:] = 0.0
    engine.render(10)
    np.testing.assert_array_equal(engine.record["peak"], [0.25, 0.25])


def test_a_slot_being_played_is_not_overwritten() -> None:
    engine = started(one_circle())
    slot = int(engine.record["instances"][int(engine.record["active"])]["slot"])
    with pytest.raises(EngineFullError, match=f"slot {slot} is being played"):
        engine.load(dot(0.1), slot)


def test_a_slot_that_waits_for_its_change_is_not_overwritten() -> None:
    engine = started(one_circle())
    slot = engine.play(dot(0.5), time=engine.time + 10_000)
    with pytest.raises(EngineFullError, match=f"slot {slot} is being played"):
        engine.load(dot(0.1), slot)


def test_programs_take_slots_until_all_wait_to_be_played() -> None:
    engine = Engine(RATE)
    slots = [engine.play(dot(0.1), time=1000 + k) for k in range(SLOTS)]
    assert sorted(slots) == list(range(SLOTS))
    with pytest.raises(EngineFullError, match=f"all {SLOTS} program slots are in use"):
        engine.load(dot(0.1))


def test_a_slot_asked_for_is_kept_for_recalling_it() -> None:
    engine = started(one_circle())
    engine.load(dot(0.75), 9)
    for _ in range(3 * SLOTS):
        assert engine.play(dot(0.1)) != 9
        engine.render(10)
    engine.push(swap_event(0, 9))
    engine.render(1)
    assert (engine.render(10)[:, 0] == 0.75).all()


def test_a_drawing_too_large_is_refused_with_its_size() -> None:
    with pytest.raises(EngineFullError, match=f"more values of {POOL}; use fewer or coarser drawings"):
        Engine(RATE).load(path_of(POOL // 3))


def test_a_refused_drawing_leaves_the_slots_old_one_whole() -> None:
    engine = started(bare_program())
    engine.load(path_of(10, 0.5), 3)
    with pytest.raises(EngineFullError):
        engine.load(path_of(POOL // 3), 3)
    engine.load(path_of(10, -0.75), 4)
    engine.push(swap_event(0, 3))
    engine.render(1)
    assert (engine.render(10)[:, 0] == 0.5).all()


def test_programs_side_by_side_keep_their_own_tables() -> None:
    engine = started(bare_program())
    values = [k / SLOTS for k in range(10)]
    for slot, value in enumerate(values, start=5):
        engine.load(path_of(100 + slot, value), slot)
    for slot, value in enumerate(values, start=5):
        engine.push(swap_event(0, slot))
        engine.render(1)
        assert (engine.render(5)[:, 0] == np.float32(value)).all()


@pytest.mark.parametrize("ring", [-1, 4, 7])
def test_an_event_ring_that_is_not_there_is_refused(ring: int) -> None:
    with pytest.raises(ValueError, match=f"there is no event ring {ring}; they are counted from 0 to 3"):
        Engine(RATE).push(set_event(0, "output.level", 1.0), ring)


def test_playing_says_so_when_no_event_can_be_taken() -> None:
    engine = Engine(RATE)
    for _ in range(RING_EVENTS):
        engine.set("output.level", 1.0)
    with pytest.raises(EngineFullError, match="takes no more events"):
        engine.play(one_circle())


def test_rendering_with_more_events_than_a_ring_holds_loses_none() -> None:
    engine = started(bare_program())
    total = 3 * RING_EVENTS
    begin = engine.time
    events = [set_event(begin + k // 2, "output.offset.x", (k + 1) / total) for k in range(total)]
    out = engine.render(total // 2, block=total, events=events)[:, 0]
    np.testing.assert_array_equal(out, (np.arange(2, total + 1, 2) / total).astype(np.float32))
    assert engine.record["counters"]["refused_events"] == 0


@pytest.mark.parametrize(
    "use",
    [
        lambda engine, address: engine.set(address, 1.0),
        lambda engine, address: engine.value(address),
        lambda _, address: set_event(0, address, 1.0),
    ],
)
def test_a_misspelt_address_is_answered_with_the_nearest_one(use: Callable[[Engine, str], object]) -> None:
    engine = Engine(RATE)
    with pytest.raises(KeyError, match=r"did you mean layer\.2\.pen\.frequency"):
        use(engine, "layer.2.pen.frequencie")


def test_all_values_can_be_read_by_address() -> None:
    program = one_circle()
    program.set("layer.8.place.camera", 12.5)
    values = started(program).values()
    assert tuple(values) == ADDRESSES
    assert values["layer.8.place.camera"] == 12.5
    assert values["layer.1.pen.frequency"] == 110.0


def test_room_left_by_programs_no_longer_played_is_used_again() -> None:
    engine = Engine(RATE)
    for k in range(3 * SLOTS):
        engine.play(path_of(POOL // 3 // 4, k / 100))
        engine.render(2)
        assert float(engine.render(1)[0, 0]) == pytest.approx(k / 100, abs=1e-7)
