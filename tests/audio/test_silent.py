"""The silent clock keeps time."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pytest

from instrument.audio.driver import DeviceError
from instrument.audio.silent import SilentClock
from instrument.engine.engine import Engine

if TYPE_CHECKING:
    from instrument.engine.program import Program

RATE = 48_000.0


@pytest.mark.realtime
@pytest.mark.parametrize("block", [16, 256, 2048])
def test_it_renders_as_many_samples_as_time_has_passed(tone_program: Program, block: int) -> None:
    engine = Engine(RATE)
    engine.play(tone_program)
    with SilentClock(engine, block) as clock:
        began = time.monotonic()
        clock.start()
        time.sleep(0.3)
        first = engine.time
        middle = time.monotonic()
        time.sleep(1.0)
        second = engine.time
        end = time.monotonic()
    assert first / RATE == pytest.approx(middle - began, abs=0.1)
    # What was late at first is not late for ever, and nothing is rendered ahead.
    assert (second - first) / RATE == pytest.approx(end - middle, abs=0.08)
    assert float(engine.record["peak"].max()) > 0.4


@pytest.mark.realtime
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
        time.sleep(0.8)
        assert engine.time / RATE == pytest.approx(time.monotonic() - began, abs=0.1)
    assert not stalls


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
