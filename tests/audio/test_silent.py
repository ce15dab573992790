"""The silent clock keeps time."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pytest

from instrument.audio.driver import DeviceError
from instrument.audio.silent import SilentClock
from instrument.engine.engine import Engine
from tests.show.listening import wait_until

if TYPE_CHECKING:
    from instrument.engine.program import Program

RATE = 48_000.0


@pytest.mark.parametrize("block", [16, 256, 2048])
def test_it_renders_as_many_samples_as_time_has_passed_and_none_ahead_of_it(tone_program: Program, block: int) -> None:
    engine = Engine(RATE)
    engine.play(tone_program)
    with SilentClock(engine, block) as clock:
        began = time.monotonic()
        clock.start()
        until_it_has_caught_up(engine, began)
        time.sleep(0.3)
        rendered = engine.time
        assert rendered <= (time.monotonic() - began) * RATE + block
        # What was late at first is not late for ever.
        until_it_has_caught_up(engine, began)
    assert float(engine.record["peak"].max()) > 0.4


def until_it_has_caught_up(engine: Engine, began: float) -> None:
    wait_until(lambda: engine.time / RATE > time.monotonic() - began - 0.1, "the silent clock to have caught up")


def test_after_a_stall_it_catches_up(monkeypatch: pytest.MonkeyPatch) -> None:
    engine = Engine(RATE)
    render, stalls = engine.render_into, [0.25]

    def stalling(out: object) -> None:
        if stalls and engine.time > 4800:
            time.sleep(stalls.pop())
        render(out)  # type: ignore[arg-type]

    monkeypatch.setattr(engine, "render_into", stalling)
    with SilentClock(engine, 64) as clock:
        began = time.monotonic()
        clock.start()
        wait_until(lambda: not stalls, "the stall")
        until_it_has_caught_up(engine, began)


def test_it_starts_and_stops_any_number_of_times() -> None:
    engine = Engine(RATE)
    clock = SilentClock(engine, 64)
    assert not clock.running
    for _ in range(2):
        clock.start()
        assert clock.running
        clock.stop()
        assert not clock.running
    stopped = engine.time
    time.sleep(0.05)
    assert engine.time == stopped
    clock.close()


def test_an_impossible_block_is_refused() -> None:
    with pytest.raises(DeviceError, match="block of 8 frames"):
        SilentClock(Engine(RATE), 8)
