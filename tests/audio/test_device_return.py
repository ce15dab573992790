"""A device that goes and comes back, whoever it is."""

from __future__ import annotations

import time
from dataclasses import replace
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

from instrument.audio import device_return as recovery
from instrument.audio.choice import Choice
from instrument.audio.device_return import Change, Recovery
from instrument.audio.devices import JACK_HOST, AudioDevice
from instrument.audio.driver import DeviceError, Driver
from instrument.audio.silent import SilentClock
from instrument.engine.engine import Engine
from tests.show.listening import wait_until

if TYPE_CHECKING:
    import threading
    from collections.abc import Iterator

    from instrument.engine.program import Program

PIER = AudioDevice("Pier 4", "ALSA", 0, 4, 48_000.0, 3)


class Device(Driver):
    """A driver that somebody can pull out."""

    name = "Pier 4 (ALSA)"
    rate = 48_000.0

    def __init__(self, *, refuses: bool = False) -> None:
        self._runs = True
        self._refuses = refuses
        self.begun = self.ended = False

    @property
    def block(self) -> int:
        return 64

    @property
    def latency(self) -> float:
        return 0.0

    @property
    def running(self) -> bool:
        return self._runs

    def start(self) -> None:
        if self._refuses:
            raise DeviceError("it does not start.")
        self.begun = self._runs = True

    def stop(self) -> None:
        self._runs = False

    def close(self) -> None:
        self.ended = True


@pytest.fixture
def engine(tone_program: Program) -> Engine:
    engine = Engine(48_000.0)
    engine.play(tone_program)
    return engine


@pytest.fixture
def seen(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Recovery, list[Driver]]]:
    """A recovery whose search gives out what is put into the list."""
    found: list[Driver] = []

    def find(_self: Recovery, _ending: threading.Event, _attempt: int) -> Driver | None:
        return found.pop(0) if found else None

    monkeypatch.setattr(Recovery, "_find_device", find)
    monkeypatch.setattr(recovery, "POLL_SECONDS", 0.01)
    made = Recovery(engine, Choice(PIER, 48_000.0))
    yield made, found
    made.close()


def next_change(made: Recovery, driver: Driver) -> Change:
    """What changes next."""
    changes: list[Change] = []

    def poll() -> bool:
        change = made.poll(driver, None)
        changes.extend([change] if change is not None else [])
        return bool(changes)

    wait_until(poll, "a change")
    return changes[0]


def test_while_the_device_plays_nothing_changes(seen: tuple[Recovery, list[Driver]]) -> None:
    assert seen[0].poll(Device(), None) is None


def test_the_clock_plays_meanwhile_and_the_device_as_soon_as_it_is_back(
    engine: Engine, seen: tuple[Recovery, list[Driver]]
) -> None:
    made, found = seen
    lost = Device()
    lost.stop()
    gone = made.poll(lost, None)
    assert gone is not None
    assert (gone.lost, type(gone.driver)) == (True, SilentClock)
    wait_until(lambda: lost.ended, "the device to be let go of")
    assert (gone.cause, gone.done) == (
        "Pier 4 (ALSA) has stopped",
        "playing on a silent clock until it is back",
    )
    before = engine.time
    wait_until(lambda: engine.time > before + 480, "the silent clock")
    assert made.poll(gone.driver, None) is None
    back = Device()
    found.append(back)
    change = next_change(made, gone.driver)
    assert (change.driver, change.lost, back.begun) == (back, False, True)
    assert not gone.driver.running
    assert made.poll(back, None) is None


def test_a_device_that_goes_again_while_it_starts_is_looked_for_again(
    seen: tuple[Recovery, list[Driver]],
) -> None:
    made, found = seen
    lost = Device()
    lost.stop()
    gone = made.poll(lost, None)
    assert gone is not None
    found.append(Device(refuses=True))
    again = next_change(made, gone.driver)
    assert (again.lost, type(again.driver)) == (True, SilentClock)
    found.append(Device())
    assert not next_change(made, again.driver).lost
    again.driver.close()


@pytest.mark.parametrize(("host", "loaded"), [(JACK_HOST, 1), ("ALSA", 0)])
def test_what_a_sound_server_needs_that_is_back_is_compiled_before_the_show_begins(
    engine: Engine, monkeypatch: pytest.MonkeyPatch, host: str, loaded: int
) -> None:
    loads: list[int] = []
    monkeypatch.setattr(recovery, "_load_jack", lambda: loads.append(1))
    Recovery(engine, Choice(replace(PIER, host=host), 48_000.0)).close()
    assert len(loads) == loaded


def test_a_clock_that_stood_still_goes_on_from_now(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SilentClock(engine, 64)
    shift = [0.0]
    shifted = SimpleNamespace(monotonic=lambda: time.monotonic() + shift[0], sleep=time.sleep)
    monkeypatch.setattr("instrument.audio.silent.time", shifted)
    clock.start()
    wait_until(lambda: engine.time > 480, "the first blocks")
    before, began = engine.time, time.monotonic()
    shift[0] = 3600.0
    wait_until(lambda: engine.time > before + 2400, "it to go on")
    played = engine.time - before
    clock.close()
    # Not an hour's worth, nor much more than the time that has really gone by.
    assert played < (time.monotonic() - began + 0.5) * 48_000
