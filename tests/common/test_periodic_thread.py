"""Threads that do one thing again and again."""

from __future__ import annotations

import threading

import pytest

from instrument.common.periodic_thread import TENDING, PeriodicThread
from tests.show.listening import wait_until


@pytest.mark.parametrize("pause", [0.0, 0.002])
def test_it_makes_passes_until_there_is_no_more_to_do(pause: float) -> None:
    made: list[int] = []

    def step() -> float | None:
        made.append(len(made))
        return pause if len(made) < 3 else None

    thread = PeriodicThread("test", step, TENDING)
    thread.start()
    thread._thread.join(60)
    assert made == [0, 1, 2]


def test_a_pause_ends_when_it_is_closed() -> None:
    made = threading.Event()

    def step() -> float:
        made.set()
        return 600.0

    thread = PeriodicThread("test", step, TENDING)
    thread.start()
    assert made.wait(60)
    thread.close()
    assert not thread._thread.is_alive()


def test_one_that_never_began_is_closed_too() -> None:
    PeriodicThread("test", lambda: None, TENDING).close()


def test_waiting_for_a_pass_waits_for_one_that_began_afterwards() -> None:
    value = [0]
    seen: list[int] = []

    def step() -> float:
        seen.append(value[0])
        return 0.0

    thread = PeriodicThread("test", step, TENDING)
    thread.start()
    wait_until(lambda: len(seen) > 10, "some passes")
    value[0] = 1
    before = len(seen)
    thread.wait_for_pass(60.0)
    assert seen[-1] == 1
    assert len(seen) > before
    thread.close()
