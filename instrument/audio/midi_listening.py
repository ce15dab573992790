"""From the names of MIDI inputs to everything that listens to them while the performance lasts."""

from __future__ import annotations

import time
from contextlib import suppress
from typing import TYPE_CHECKING

from instrument.audio.jack.jack_driver import JackDriver
from instrument.audio.jack.midi_inputs import JackMidi, JackRing
from instrument.common.quiet_libraries import quiet_libraries
from instrument.engine.memory.layout import RING_COMMAND, RING_MIDI
from instrument.midi.event_feed import EngineRing
from instrument.midi.feedback import Feedback
from instrument.midi.inputs import Inputs
from instrument.midi.message_decoder import MidiError
from instrument.midi.outputs import Outputs
from instrument.midi.polling import MidiPoll
from instrument.midi.rtmidi_ports import CLIENT, RtmidiSystem, is_jack, midi_api

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from instrument.audio.driver import Driver
    from instrument.engine.engine import Engine
    from instrument.midi.event_feed import Ring
    from instrument.midi.inputs import MidiSystem

POLL_SECONDS = 0.4
"""Time between two looks at what is plugged in: with the show's own turns, what comes is found within a second."""

JACK_STEP = 64
"""Frames into which the periods of JACK servers in use can be divided (common practice, no source). One whose period
cannot be costs half a step more of jitter."""


class Listening:
    """MIDI inputs, and our own port beside them.

    The thread that makes it also calls everything else here; it is the one that pushes into `RING_COMMAND`.

    Parameters
    ----------
    engine : Engine
    wanted : list of str
        Names or parts of names; empty for every controller that is plugged in.
    driver : Driver
        What plays. Through JACK itself messages come on their frames; everywhere else rtmidi's ports are polled, and
        so are those of other systems beside JACK.
    latency : callable
        Returns the delay between a polled message and its effect in seconds.
    remembered : sequence of str, optional
        Names that files remember, for when none are wanted; see `Inputs`.

    Attributes
    ----------
    feedback : Feedback
        Sends values back to each controller that has an output of its name.

    Raises
    ------
    MidiError
        If the machine has no MIDI, or nothing has such a name.
    """

    def __init__(
        self,
        engine: Engine,
        wanted: list[str],
        driver: Driver,
        latency: Callable[[], float],
        remembered: Sequence[str] = (),
    ) -> None:
        self._engine = engine
        systems: list[MidiSystem] = []
        ring: Ring | None = None
        if isinstance(driver, JackDriver):
            systems.append(JackMidi(driver))
            ring = JackRing(driver)
        with quiet_libraries():
            api = _api_for(driver)
        # rtmidi stamps JACK's messages when its own turn in the period comes, not with their frames.
        stepped = driver.jack and api is not None and is_jack(api)
        self._poll = MidiPoll(engine, latency, JACK_STEP if stepped else 0, ring)
        if api is not None:
            systems.append(RtmidiSystem(api, self._poll))
        self._of_driver = systems[0] if driver.jack else None
        self._inputs = Inputs(systems, wanted, lambda event: engine.push(event, RING_COMMAND), CLIENT, remembered)
        self._look_again = 0.0
        self._outputs = Outputs()
        self.feedback = Feedback(engine)
        with quiet_libraries():
            self._inputs.check()

    @property
    def names(self) -> list[str]:
        """Names of the open inputs, our own port included."""
        return self._inputs.names

    @property
    def numbers(self) -> list[tuple[int, str]]:
        """Number that messages carry, and name, of each open input."""
        return self._inputs.numbers

    def start(self) -> list[str]:
        """Open the ports and begin to listen, once the driver has; return a sentence for each that refuses."""
        with quiet_libraries():
            refused = self._inputs.begin()
            self._look_at_outputs()
        self._poll.start()
        self.feedback.start()
        return refused

    def poll(self) -> list[str]:
        """See to what was plugged in or out, once in a while; return a sentence for each."""
        now = time.monotonic()
        if now < self._look_again:
            return []
        self._look_again = now + POLL_SECONDS
        with quiet_libraries():
            said = self._inputs.poll()
            self._look_at_outputs()
            return said

    def _look_at_outputs(self) -> None:
        # A controller's way back is the output of its system that has its name.
        ports = [
            (system, name, number)
            for system, name, number in self._inputs.ports
            if isinstance(system, JackMidi | RtmidiSystem)
        ]
        if self._outputs.poll(ports):
            self.feedback.send_to(self._outputs.by_number)

    def lose_driver(self) -> None:
        """Let go of what was played through the system of a driver that has ended, and go on without it."""
        if self._of_driver is not None:
            self._inputs.forget(self._of_driver)
            self._poll.pour_into(EngineRing(self._engine, RING_MIDI))
            self._of_driver = None
            self._look_at_outputs()

    def find_driver(self, driver: Driver) -> None:
        """Listen through JACK again, through which a driver plays that is about to start; `poll` opens the inputs."""
        if isinstance(driver, JackDriver):
            self._poll.pour_into(JackRing(driver))
            self._of_driver = JackMidi(driver)
            self._inputs.add(self._of_driver)
            self._look_again = 0.0

    def close(self) -> None:
        """Stop listening and close the ports."""
        self._poll.close()
        self.feedback.close()
        self._outputs.close()
        self._inputs.close()


def _api_for(driver: Driver) -> int | None:
    # Beside JACK itself only what other systems have; a machine without them has none.
    if not isinstance(driver, JackDriver):
        return midi_api(jack=driver.jack)
    with suppress(MidiError):
        api = midi_api(jack=False)
        return None if is_jack(api) else api
    return None
