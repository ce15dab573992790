"""Values sent back to motor faders, rings of light and pads, without sending anybody what they have just said."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import numpy as np

from instrument.common.periodic_thread import TENDING, PeriodicThread
from instrument.engine.memory.layout import EVENT_MIDI
from instrument.engine.memory.views import active_slot, active_values, controls_of, events_applied, program_in
from instrument.midi.control_decoder import ControlDecoder
from instrument.midi.controller_display import LIT_FIELDS, IndicatedControl, Indicator, indicated_controls, messages_for

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Mapping

    from instrument.engine.engine import Engine
    from instrument.midi.outputs import OpenOutput

POLL_SECONDS = 0.02
"""Time between two looks at the values."""

_STEP_SECONDS = 0.002
"""Time between two messages' turns while something waits for the cable."""

HANDS_OFF_SECONDS = 0.3
"""So long after a knob or fader has been heard nothing is sent to it: a hand is on it."""

BUTTON_SECONDS = 0.06
"""The same for buttons, which should be lit as soon as they are pressed; three looks."""

Messages = tuple[tuple[int, ...], ...]
"""Messages that belong together and are sent one right after the other."""

BYTE_SECONDS = 10 / 31_250
"""A start bit, eight bits and a stop bit at 31,250 baud (MIDI 1.0 Electrical Specification): 0.96 ms for three bytes."""

CREDIT_SECONDS = 0.003
"""Time that a late sender may make up for, so that its own steps cost nothing: three messages."""


class CableQueue:
    """Queue of one cable: the newest value of each control waits its turn, in fair order."""

    def __init__(self) -> None:
        self._waiting: dict[Hashable, Messages] = {}
        self._free = 0.0

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, key: Hashable, messages: Messages) -> None:
        """Let something be sent; what still waits under the same key gives its place in the queue to it."""
        self._waiting[key] = messages

    def drop(self, key: Hashable) -> None:
        """Let something that waits not be sent."""
        self._waiting.pop(key, None)

    def due(self, now: float) -> list[tuple[Hashable, Messages]]:
        """Return what the cable has room for at a time in seconds, and take it off the queue."""
        found = []
        while self._waiting and self._free <= now:
            key = next(iter(self._waiting))
            messages = self._waiting.pop(key)
            found.append((key, messages))
            cost = BYTE_SECONDS * sum(len(message) for message in messages)
            self._free = max(self._free, now - CREDIT_SECONDS) + cost
        return found


class _Device:
    """State of one controller's display, as known from what was sent to it and what it sent itself."""

    def __init__(self, output: OpenOutput) -> None:
        self.output = output
        self.pace = CableQueue()
        self.shows: dict[Indicator, int] = {}
        self.heard: dict[Indicator, float] = {}


class Feedback:
    """Looks at the running program and keeps every controller's faders and lights in step with it.

    A control that has been heard from some ports is shown there, any other one at every port. What a control says
    counts as shown by it, so nothing comes back to it that it said itself; what it cannot know, such as a value that
    was recalled while it stood elsewhere, is sent once the hand is off it.

    Parameters
    ----------
    engine : Engine
        Is only read.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._cursor = events_applied(engine.record)
        self._decoder = ControlDecoder()
        self._devices: dict[int, _Device] = {}
        self._homes: dict[tuple[str, int], set[int]] = {}
        self._channels: dict[tuple[str, int], int] = {}
        self._table = b""
        self._slot = -1
        self._shown: dict[Indicator, IndicatedControl] = {}
        self._params = np.zeros(0, np.int64)
        self._values = np.zeros(0)
        self._lights: tuple[int, ...] = ()
        self._unsettled: dict[tuple[int, Indicator], None] = {}
        self._outputs: Mapping[int, OpenOutput] = {}
        # Not of low priority: it shares Python's lock with the thread that polls MIDI, which would wait for it.
        self._thread = PeriodicThread("feedback", self._step, TENDING)
        self._poll_again = 0.0
        self.on: Callable[[], bool] = lambda: True
        """Tells whether anything is sent now."""

    def send_to(self, outputs: Mapping[int, OpenOutput]) -> None:
        """Send to these from now on, by the number that the messages of their inputs carry; a new mapping each time."""
        self._outputs = outputs

    def start(self) -> None:
        """Begin to look, from a thread of its own."""
        self._thread.start()

    def close(self) -> None:
        """Look no more; whoever opened the outputs closes them."""
        self._thread.close()

    def _step(self) -> float:
        now = time.monotonic()
        if now >= self._poll_again:
            self._poll_again = now + POLL_SECONDS
            self.poll(now)
        return _STEP_SECONDS if self.send(now) else max(self._poll_again - time.monotonic(), 0.0)

    def poll(self, now: float) -> None:
        """See what has changed, at a time in seconds, and let it be sent."""
        # Values before messages: then what a control says is known whenever the value that it gave is seen.
        self._look_at_outputs()
        table_changed = self._look_at_program()
        values, lights = self._present()
        events, self._cursor, _ = self._engine.log_since(self._cursor)
        for event in events[events["kind"] == EVENT_MIDI]:
            self._hear(now, int(event["port"]), *event["data"].tolist())
        if table_changed or lights != self._lights or len(values) != len(self._values):
            changed = list(self._shown)
        else:
            faces = list(self._shown)
            # Bits are compared, so that nan is the same as before.
            different = values.view(np.int64) != self._values.view(np.int64)
            changed = [faces[k] for k in np.flatnonzero(different)]
        self._values, self._lights = values, lights
        for face in changed:
            self._unsettled.update({(number, face): None for number in self._devices})
        self._settle(now)

    def send(self, now: float) -> bool:
        """Send what the cables have room for, at a time in seconds; return whether something still waits."""
        waiting = False
        for device in self._devices.values():
            for _, messages in device.pace.due(now):
                for message in messages:
                    device.output.send(message)
            waiting = waiting or len(device.pace) > 0
        return waiting

    def _look_at_outputs(self) -> None:
        outputs = self._outputs if self.on() else {}
        for number in [number for number, device in self._devices.items() if outputs.get(number) is not device.output]:
            del self._devices[number]
        for number, output in outputs.items():
            if number not in self._devices:
                # One that has just been plugged in knows nothing.
                self._devices[number] = _Device(output)
                self._unsettled.update({(number, face): None for face in self._shown})
        self._unsettled = {key: None for key in self._unsettled if key[0] in self._devices}

    def _look_at_program(self) -> bool:
        slot = active_slot(self._engine.record)
        if slot < 0:
            return False
        program = program_in(self._engine.record, int(slot))
        table: bytes = controls_of(program).tobytes()
        if table == self._table and slot == self._slot:
            return False
        before, self._table, self._slot = self._shown, table, slot
        self._shown = indicated_controls(program)
        self._params = np.array([max(shown.param, 0) for shown in self._shown.values()], np.int64)
        for face, shown in before.items():
            if face not in self._shown and shown.goes_dark:
                self._darken(face)
        return True

    def _darken(self, face: Indicator) -> None:
        for device in self._devices.values():
            for at in self._faces(face):
                if device.shows.get(at):
                    self._show(device, at, 0)

    def _present(self) -> tuple[Any, tuple[int, ...]]:
        values = active_values(self._engine.record)[self._params]
        return values, tuple(int(self._engine.record[name]) for name in LIT_FIELDS)

    def _hear(self, now: float, port: int, status: int, first: int, second: int) -> None:
        for sender, value in self._decoder.decode(port, status, first, second):
            face = Indicator(sender.message, sender.channel, sender.number)
            self._homes.setdefault((face.message, face.number), set()).add(port)
            self._channels[face.message, face.number] = face.channel
            device = self._devices.get(port)
            if device is None:
                continue
            device.shows[face] = value
            device.heard[face] = now
            device.pace.drop(face)
            for own in (face, face._replace(channel=-1)):
                if own in self._shown:
                    self._unsettled[port, own] = None

    def _settle(self, now: float) -> None:
        left: dict[tuple[int, Indicator], None] = {}
        values = dict(zip(self._shown, self._values.tolist(), strict=True))
        for number, face in self._unsettled:
            shown = self._shown.get(face)
            if shown is None or not self._lives_at(face, number):
                continue
            device = self._devices[number]
            wanted = shown.wanted(values[face], self._lights)
            hands_off = BUTTON_SECONDS if shown.is_light else HANDS_OFF_SECONDS
            for at in self._faces(face):
                if now < device.heard.get(at, -1e9) + hands_off:
                    left[number, face] = None
                elif wanted is not None and device.shows.get(at) != wanted:
                    self._show(device, at, wanted)
        self._unsettled = left

    def _lives_at(self, face: Indicator, number: int) -> bool:
        homes = self._homes.get((face.message, face.number), set()) & self._devices.keys()
        return not homes or number in homes

    def _faces(self, face: Indicator) -> list[Indicator]:
        # A control of any channel is shown on the channel from which it was last heard, or on the first.
        if face.channel >= 0:
            return [face]
        return [face._replace(channel=self._channels.get((face.message, face.number), 0))]

    def _show(self, device: _Device, face: Indicator, value: int) -> None:
        device.shows[face] = value
        device.pace.put(face, messages_for(face, value))
