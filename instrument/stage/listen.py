"""From the names of MIDI inputs to a thread that listens to them."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING

from instrument.midi.poll import MidiPoll
from instrument.midi.ports import choose_inputs, input_names, is_jack, midi_api, open_input, open_own_port
from instrument.stage.quiet import quiet_libraries

if TYPE_CHECKING:
    from collections.abc import Callable

    from instrument.engine.engine import Engine

JACK_STEP = 64
"""Frames into which the periods of JACK servers in use can be divided (common practice, no source). One whose period
cannot be costs half a step more of jitter."""


def listen_to_midi(
    engine: Engine, wanted: list[str], latency: Callable[[], float], *, jack: bool
) -> MidiPoll:
    """Open MIDI inputs, and our own port beside them; `MidiPoll.start` begins to listen.

    Parameters
    ----------
    engine : Engine
    wanted : list of str
        Names or parts of names; empty for every controller that is plugged in.
    latency : callable
        Returns the delay between a message and its effect in seconds.
    jack : bool
        Whether the sound goes through JACK.

    Raises
    ------
    MidiError
        If the machine has no MIDI, or nothing has such a name.
    """
    with ExitStack() as opened, quiet_libraries():
        api = midi_api(jack=jack)
        names = choose_inputs(wanted, input_names(api), jack=is_jack(api))
        ports = []
        own = open_own_port(api)
        if own is not None:
            opened.callback(own.close)
            ports.append(own)
        for name in names:
            port = open_input(name, api)
            opened.callback(port.close)
            ports.append(port)
        opened.pop_all()
        # rtmidi stamps JACK's messages when its own turn in the period comes, not with their frames.
        return MidiPoll(engine, ports, latency, JACK_STEP if jack and is_jack(api) else 0)
