"""A device that goes and comes back: the silent clock plays meanwhile, and the device again as soon as it answers."""

from __future__ import annotations

import threading
from contextlib import suppress
from typing import TYPE_CHECKING, NamedTuple

from instrument.audio.device_probe import DeviceProbe
from instrument.audio.devices import CHANNELS, NATIVE, AudioDevice
from instrument.audio.driver import BLOCKS, DeviceError, Driver
from instrument.audio.jack.jack_driver import JackDriver
from instrument.audio.silent import SilentClock

if TYPE_CHECKING:
    from collections.abc import Callable

    from instrument.audio.choice import Choice
    from instrument.audio.midi_listening import Listening
    from instrument.engine.engine import Engine

_JACK = AudioDevice(NATIVE, NATIVE.upper(), CHANNELS, CHANNELS, 0.0, -1)
"""A server that is about to be joined, whatever it runs at."""

POLL_SECONDS = 0.25
"""Time between two looks for the device; opening it again takes about a tenth of a second."""


class Change(NamedTuple):
    """Another driver plays now.

    Attributes
    ----------
    driver : Driver
    cause, done : str
        What has happened, and what was done.
    lost : bool
        Whether nobody can hear it.
    """

    driver: Driver
    cause: str
    done: str
    lost: bool


class Recovery:
    """Sees to what plays.

    A lost JACK server is joined again as a fresh client with the same ports, and so is one that was played through
    PortAudio, whose own connection does not survive it. Other devices are looked for by a process of its own
    (`DeviceProbe`), because PortAudio has to be started afresh to see what was plugged in.

    Parameters
    ----------
    engine : Engine
    choice : Choice
        What was opened at the start.

    Notes
    -----
    Called by one thread, the one that owns the driver and the MIDI inputs. Devices are looked for in another one, so
    that one that does not answer holds nothing up; it opens a driver and never starts it.
    """

    def __init__(self, engine: Engine, choice: Choice) -> None:
        self._engine = engine
        self._choice = choice
        self._back: Driver | None = None
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None
        if choice.jack:
            # Compiled where it never was before, which takes longer than anybody waits for a device that is back.
            with suppress(DeviceError):
                _load_jack()

    def poll(self, driver: Driver, midi: Listening | None) -> Change | None:
        """Change to the silent clock if the device has gone, and back if it has returned; None if all is as it was."""
        if not driver.running:
            return self._lose(driver, midi)
        if (back := self._back) is not None:
            self._back = None
            return self._return_to(back, driver, midi)
        return None

    def close(self) -> None:
        """Look no more."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join(POLL_SECONDS * 4)
        if self._back is not None:
            self._back.close()

    def _lose(self, lost: Driver, midi: Listening | None) -> Change:
        low, high = BLOCKS
        clock = SilentClock(self._engine, min(max(lost.block, 64, low), high))
        # First of all its last call into the engine has to be over: there may be one caller only.
        lost.close()
        clock.start()
        if midi is not None:
            midi.lose_driver()
        self._look_for(lost)
        return Change(clock, f"{lost.name} has stopped", "playing on a silent clock until it is back", lost=True)

    def _look_for(self, lost: Driver) -> None:
        self._ending.set()
        self._ending = threading.Event()
        find = self._find_jack if lost.jack else self._find_device
        self._thread = threading.Thread(target=self._search, args=(find, self._ending), name="device", daemon=True)
        self._thread.start()

    def _search(self, find: Callable[[threading.Event], Driver | None], ending: threading.Event) -> None:
        while not ending.wait(POLL_SECONDS):
            with suppress(DeviceError):  # not there yet, or gone again meanwhile
                if (found := find(ending)) is None:
                    continue
                if ending.is_set():
                    found.close()
                else:
                    self._back = found
                return

    def _find_jack(self, _ending: threading.Event) -> Driver | None:
        wanted = self._choice.live
        live = wanted if isinstance(wanted, str) or wanted is None else ""
        driver = JackDriver(self._engine, _JACK, live, self._choice.outputs, returning=True)
        try:
            driver.join()
        except DeviceError:
            driver.close()
            raise
        return driver

    def _find_device(self, ending: threading.Event) -> Driver | None:
        choice = self._choice
        if choice.device is None:
            return None
        with DeviceProbe() as probe:
            if not probe.wait_for(choice.device, ending):
                return None
        from instrument.audio.portaudio import reopened  # noqa: PLC0415 - it loads PortAudio

        return reopened(self._engine, choice.device, choice.block, choice.live, choice.outputs)

    def _return_to(self, back: Driver, clock: Driver, midi: Listening | None) -> Change | None:
        # Whoever polls other systems' ports hands them on to the driver before it begins to push by itself.
        if midi is not None:
            midi.find_driver(back)
        clock.close()
        try:
            back.start()
        except DeviceError:
            return self._lose(back, midi)
        trouble = f" ({back.trouble})" if back.trouble else ""
        return Change(back, f"{back.name} is back", f"playing through it again{trouble}", lost=False)


def _load_jack() -> None:
    from instrument.audio.jack import process_callback as jack_process  # noqa: F401, PLC0415 - as in JackDriver
