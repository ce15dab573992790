"""A device that goes and comes back: the silent clock plays meanwhile, and the device again as soon as it answers."""

from __future__ import annotations

import itertools
import threading
import time
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from instrument.audio.correction_table import Correction
from instrument.audio.device_probe import DeviceProbe
from instrument.audio.devices import CHANNELS, NATIVE, AudioDevice
from instrument.audio.driver import BLOCKS, DeviceError, Driver
from instrument.audio.jack.jack_driver import JackDriver
from instrument.audio.jack.server import behind_of
from instrument.audio.silent import SilentClock

if TYPE_CHECKING:
    from collections.abc import Callable

    from instrument.audio.choice import Choice
    from instrument.audio.midi_listening import Listening
    from instrument.engine.engine import Engine

POLL_SECONDS = 0.25
"""Time between two looks for the device; opening it again takes about a tenth of a second."""

CONNECT_SECONDS = 4.0
"""Time that a device that is back has until it asks for sound, or until there is something to play into: PipeWire's devices
appear up to two seconds after the server does (0.3.65)."""

_TURN_SECONDS = 0.05


class Change(NamedTuple):
    """Another driver plays now, or the same one through another device.

    Attributes
    ----------
    driver : Driver
    cause, done : str
        What has happened, and what was done; where nothing had to be done it is empty.
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
    PortAudio, whose own connection does not survive it, and one that has changed its rate. Other devices are looked for by
    a process of its own (`DeviceProbe`), because PortAudio has to be started afresh to see what was plugged in. A device
    that asks for no more sound is left, with the threads that hang in it, and looked for like one that has gone.

    Parameters
    ----------
    engine : Engine
    choice : Choice
        What was opened at the start.
    corrected : callable, optional
        Returns a choice with the profile of its device, and says so; where a server plays through another device than
        before, that device's own is taken. By default the first one's is kept.

    Notes
    -----
    Called by one thread, the one that owns the driver and the MIDI inputs. Devices are looked for in another one, so
    that one that does not answer holds nothing up; it opens a driver and never starts it.
    """

    def __init__(self, engine: Engine, choice: Choice, corrected: Callable[[Choice], Choice] | None = None) -> None:
        self._engine = engine
        self._choice = choice
        self._corrected = corrected
        self._device = choice.device.behind if choice.device is not None else ""
        self._back: Driver | None = None
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None
        if choice.jack:
            # Compiled where it never was before, which takes longer than anybody waits for a device that is back.
            with suppress(DeviceError):
                _load_jack()

    def poll(self, driver: Driver, midi: Listening | None) -> Change | None:
        """Change to the silent clock if the device has gone, and back if it has returned; None if all is as it was."""
        if cause := driver.lost:
            return self._lose(driver, midi, cause)
        if (back := self._back) is not None:
            self._back = None
            return self._return_to(back, driver, midi)
        if (news := driver.poll()) and not self._fit(driver):
            return self._lose(driver, midi, news.rstrip("."))
        return Change(driver, news, "", lost=False) if news else None

    def close(self) -> None:
        """Look no more."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join(POLL_SECONDS * 4)
        if self._back is not None:
            self._back.close()

    def _fit(self, driver: Driver) -> bool:
        # Whether the display behind another device gets what it needs, without opening anything anew.
        device = self._choice.device
        if self._corrected is None or device is None or driver.device in {"", self._device}:
            return True
        self._device = driver.device
        before = self._choice.outputs
        bare = replace(
            self._choice, device=replace(device, behind=driver.device), outputs=replace(before, correction=None)
        )
        self._choice = self._corrected(bare)
        if self._choice.outputs == before:
            return True
        if driver.corrector is None:
            return False
        driver.corrector.set(self._choice.outputs.correction or Correction())
        return True

    def _lose(self, lost: Driver, midi: Listening | None, cause: str) -> Change:
        low, high = BLOCKS
        clock = SilentClock(self._engine, min(max(lost.block, 64, low), high))
        # First of all its last call into the engine has to be over: there may be one caller only.
        lost.leave()
        clock.start()
        if midi is not None:
            midi.lose_driver()
        self._look_for(lost)
        return Change(clock, cause, "playing on a silent clock until it is back", lost=True)

    def _look_for(self, lost: Driver) -> None:
        self._ending.set()
        self._ending = threading.Event()
        find = self._find_jack if lost.jack else self._find_device
        self._thread = threading.Thread(
            target=self._search, args=(lost, find, self._ending), name="device", daemon=True
        )
        self._thread.start()

    def _search(
        self, lost: Driver, find: Callable[[threading.Event, int], Driver | None], ending: threading.Event
    ) -> None:
        # One that hangs may take its time; nothing else is opened meanwhile.
        first = 0 if lost.running else 1
        lost.close()
        for attempt in itertools.count(first):
            if ending.wait(POLL_SECONDS):
                return
            with suppress(DeviceError):  # not there yet, or gone again meanwhile
                if (found := find(ending, attempt)) is None:
                    continue
                if ending.is_set():
                    found.close()
                else:
                    self._back = found
                return

    def _find_jack(self, ending: threading.Event, _attempt: int) -> Driver | None:
        wanted = self._choice.live
        live = wanted if isinstance(wanted, str) or wanted is None else ""
        driver = JackDriver(self._engine, self._server(), live, self._choice.outputs, returning=True)
        try:
            driver.join()
            self._wait_for(lambda: bool(driver.poll()) or driver.heard or bool(driver.lost), ending)
            if driver.lost:
                raise DeviceError(f"{driver.lost}.")
        except DeviceError:
            driver.close()
            raise
        return driver

    def _server(self) -> AudioDevice:
        # A server that is about to be joined, whatever it runs at; a device behind it is played through by its own name.
        device = self._choice.device
        name = NATIVE
        if device is not None and (device.native or behind_of(f"{device.name}:")):
            name = device.name
        return AudioDevice(name, NATIVE.upper(), CHANNELS, CHANNELS, 0.0, -1, behind=self._device)

    def _find_device(self, ending: threading.Event, attempt: int) -> Driver | None:
        # A device that ran until it asked for no more sound (attempt 0) is most likely there, and its server has come to
        # work in longer blocks than its buffers hold; so every other attempt is made with longer ones.
        choice = self._choice
        if choice.device is None:
            return None
        if attempt > 0:
            with DeviceProbe() as probe:
                if not probe.wait_for(choice.device, ending):
                    return None
        from instrument.audio.portaudio import reopened  # noqa: PLC0415 - it loads PortAudio

        buffers = "low" if attempt % 2 else "high"
        driver = reopened(
            self._engine, choice.device, choice.block, choice.live, choice.outputs, buffers, plugged=attempt > 0
        )
        try:
            # A sound server lets any stream be opened, whether or not anything is there to be played into.
            driver.join()
            if self._wait_for(lambda: driver.began, ending):
                return driver
        except DeviceError:
            driver.close()
            raise
        driver.close()
        return None

    @staticmethod
    def _wait_for(condition: Callable[[], bool], ending: threading.Event) -> bool:
        deadline = time.monotonic() + CONNECT_SECONDS
        while not (met := condition()) and time.monotonic() < deadline and not ending.wait(_TURN_SECONDS):
            pass
        return met

    def _return_to(self, back: Driver, clock: Driver, midi: Listening | None) -> Change | None:
        self._fit(back)
        # Whoever polls other systems' ports hands them on to the driver before it begins to push by itself.
        if midi is not None:
            midi.find_driver(back)
        clock.close()
        try:
            back.start()
        except DeviceError as error:
            return self._lose(back, midi, str(error).rstrip("."))
        trouble = f" ({back.trouble})" if back.trouble else ""
        return Change(back, f"{back.name} is back", f"playing through it again{trouble}", lost=False)


def _load_jack() -> None:
    from instrument.audio.jack import process_callback  # noqa: F401, PLC0415 - as in JackDriver
