"""MIDI inputs of the JACK driver: its own process callback reads them, frame by frame."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from instrument.audio.driver import DeviceError
from instrument.audio.jack.jack_driver import OWN_INPUT
from instrument.audio.jack.library import IS_INPUT, IS_OUTPUT, MIDI
from instrument.engine.memory.layout import EVENT, RING_EVENTS
from instrument.midi.inputs import HeldKeys
from instrument.midi.message_decoder import MidiError
from instrument.midi.port_names import PortInfo, jack_port_info

if TYPE_CHECKING:
    from instrument.audio.jack.jack_driver import JackDriver
    from instrument.engine.engine import Event


class JackInput:
    """One of the driver's MIDI inputs.

    Parameters
    ----------
    driver : JackDriver
    place : int
        Place among the driver's inputs.
    source : str
        Full name of the port that plays into it; empty for our own, into which anybody may play.
    """

    def __init__(self, driver: JackDriver, place: int, source: str = "") -> None:
        self._driver = driver
        self._place = place
        self._source = source
        self.held = HeldKeys(driver.state["held"][place], driver.state["pedals"][place])

    def is_there(self) -> bool:
        """Return whether the two ports are connected."""
        return not self._source or self._driver.is_fed(self._place, self._source)

    def close(self) -> int:
        """Disconnect the port; its messages have taken effect as they came, so there is nothing to wait for."""
        if self._source:
            self._driver.unplug(self._place, self._source)
        return 0


class JackMidi:
    """The MIDI ports of the JACK server through which the driver plays.

    Parameters
    ----------
    driver : JackDriver
    """

    def __init__(self, driver: JackDriver) -> None:
        self._driver = driver
        self._places: dict[str, int] = {}
        self._target_places: dict[str, int] = {}
        self._graph = -1
        self._plugs: list[PortInfo] = []

    def list_inputs(self) -> list[PortInfo]:
        """Return what could play into us now; nothing once the server has ended."""
        if self._driver.gone:
            return []
        graph = int(self._driver.state["graph"])
        if graph != self._graph:
            self._graph = graph
            ports = self._driver.client.ports(MIDI, IS_OUTPUT)
            self._plugs = [jack_port_info(port.name, port.aliases, physical=port.physical) for port in ports]
        return self._plugs

    def end(self) -> None:
        """Do nothing: its ports are the driver's."""

    def open_own_port(self, number: int) -> JackInput:
        """Return our own input, which the driver has made."""
        self._driver.state["numbers"][OWN_INPUT] = number
        return JackInput(self._driver, OWN_INPUT)

    def list_outputs(self) -> list[PortInfo]:
        """Return everything that listens; nothing once the server has ended."""
        if self._driver.gone:
            return []
        ports = self._driver.client.ports(MIDI, IS_INPUT)
        return [jack_port_info(port.name, port.aliases, physical=port.physical) for port in ports]

    def open_output(self, plug: PortInfo) -> JackOutput:
        """Connect an output of its own to a port, the same one whenever it comes back.

        Raises
        ------
        MidiError
            If the server refuses.
        """
        try:
            if plug.name not in self._target_places:
                place = self._driver.add_target(f"feedback_{len(self._target_places) + 1}")
                self._target_places[plug.name] = place
        except DeviceError as error:
            raise MidiError(f"the MIDI output {plug.name!r} cannot be opened: {error}") from None
        place = self._target_places[plug.name]
        if not self._driver.connect_target(place, plug.name):
            raise MidiError(f"the MIDI output {plug.name!r} cannot be opened (JACK does not connect it).")
        return JackOutput(self._driver, place, plug.name)

    def open(self, plug: PortInfo, number: int) -> JackInput:
        """Connect a port to an input of its own, the same one whenever it comes back.

        Raises
        ------
        MidiError
            If the server refuses.
        """
        try:
            if plug.name not in self._places:
                self._places[plug.name] = self._driver.add_source(f"midi_{len(self._places) + 1}", number)
        except DeviceError as error:
            raise MidiError(f"the MIDI input {plug.name!r} cannot be opened: {error}") from None
        place = self._places[plug.name]
        self._driver.state["numbers"][place] = number
        if not self._driver.plug(place, plug.name):
            raise MidiError(f"the MIDI input {plug.name!r} cannot be opened (JACK does not connect it).")
        return JackInput(self._driver, place, plug.name)


class JackOutput:
    """One of the driver's MIDI outputs.

    Parameters
    ----------
    driver : JackDriver
    place : int
        Place among the driver's outputs.
    target : str
        Full name of the port that it plays into.
    """

    def __init__(self, driver: JackDriver, place: int, target: str) -> None:
        self._driver = driver
        self._place = place
        self._target = target

    def send(self, message: tuple[int, ...]) -> None:
        """Send a message with the next period; all outputs are sent to by one thread."""
        if not self._driver.gone:
            self._driver.send(self._place, message)

    def is_there(self) -> bool:
        """Return whether the two ports are connected."""
        return self._driver.feeds(self._place, self._target)

    def close(self) -> None:
        """Disconnect the port."""
        self._driver.disconnect_target(self._place, self._target)


class JackRing:
    """The way of other systems' messages into the engine: the process callback merges them with JACK's.

    Parameters
    ----------
    driver : JackDriver
    """

    def __init__(self, driver: JackDriver) -> None:
        self._driver = driver

    def room(self) -> int:
        """Return how many events can be pushed now."""
        inbox = self._driver.state["inbox"]
        return RING_EVENTS - (int(inbox["tail"]) - int(inbox["head"]))

    def push(self, event: Event) -> None:
        """Hand on an event for which there is room."""
        self._driver.push(np.array(event.packed(), EVENT))
