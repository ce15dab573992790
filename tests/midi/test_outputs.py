"""The way back to a controller is found by its name, as each system names both of its ends."""

from __future__ import annotations

import pytest

from instrument.midi.message_decoder import MidiError
from instrument.midi.outputs import Outputs, matching_output
from instrument.midi.port_names import PortInfo


@pytest.mark.parametrize(
    ("source", "target"),
    [
        ("Buoy Faders:Buoy Faders MIDI 1 20:0", "Buoy Faders:Buoy Faders MIDI 1 20:0"),
        ("Buoy Faders 0", "Buoy Faders 1"),
        ("a2j:Buoy Faders [20] (capture): Buoy Faders MIDI 1", "a2j:Buoy Faders [20] (playback): Buoy Faders MIDI 1"),
        ("Midi-Bridge:Buoy:(capture_0) Buoy MIDI 1", "Midi-Bridge:Buoy:(playback_0) Buoy MIDI 1"),
        ("Buoy Faders MIDI In", "Buoy Faders MIDI Out"),
        ("buoy:out", "buoy:in"),
    ],
)  # fmt: skip
def test_both_ends_of_a_controller_belong_together(source: str, target: str) -> None:
    others = [PortInfo("Moth Pads:Moth Pads MIDI 1 24:0"), PortInfo("moth:in")]
    found = matching_output(source, [PortInfo("moth:out"), PortInfo(source)], [*others, PortInfo(target)])
    assert found is not None
    assert found.name == target


def test_numbered_plugs_are_told_apart_by_their_other_names() -> None:
    source = PortInfo("system:midi_capture_1", ("alsa_pcm:Buoy/midi_capture_1",))
    moth = PortInfo("system:midi_playback_1", ("alsa_pcm:Moth/midi_playback_1",))
    buoy = PortInfo("system:midi_playback_2", ("alsa_pcm:Buoy/midi_playback_1",))
    assert matching_output(source.name, [source], [moth, buoy]) == buoy
    assert matching_output(source.name, [source], [moth]) is None


def test_of_two_alike_each_has_its_own() -> None:
    sources = [PortInfo("Pads:Pads MIDI 1 20:0"), PortInfo("Pads:Pads MIDI 1 24:0")]
    targets = [PortInfo("Pads:Pads MIDI 1 24:0"), PortInfo("Pads:Pads MIDI 1 20:0")]
    for source in sources:
        found = matching_output(source.name, sources, targets)
        assert found is not None
        assert found.name == source.name


def test_what_only_passes_messages_on_has_no_way_back() -> None:
    through = PortInfo("Midi Through:Midi Through Port-0 14:0")
    assert matching_output(through.name, [through], [through]) is None


class Output:
    def __init__(self) -> None:
        self.there = True
        self.closed = False

    def send(self, message: tuple[int, ...]) -> None:
        del message

    def is_there(self) -> bool:
        return self.there

    def close(self) -> None:
        self.closed = True


class System:
    def __init__(self, *names: str) -> None:
        self.names = list(names)
        self.opened: list[Output] = []
        self.busy = False

    def list_inputs(self) -> list[PortInfo]:
        return [PortInfo(name) for name in self.names]

    list_outputs = list_inputs

    def open_output(self, plug: PortInfo) -> Output:
        if self.busy:
            raise MidiError(f"{plug.name} belongs to somebody else.")
        self.opened.append(Output())
        return self.opened[-1]


def test_an_output_is_open_for_as_long_as_its_input_is() -> None:
    system, outputs = System("moth", "heron"), Outputs()
    assert outputs.poll([(system, "moth", 3)])
    assert not outputs.poll([(system, "moth", 3)])
    assert list(outputs.by_number) == [3]
    assert outputs.poll([])
    assert system.opened[0].closed
    assert outputs.by_number == {}


def test_one_that_has_lost_its_other_end_is_opened_again() -> None:
    system, outputs = System("moth"), Outputs()
    outputs.poll([(system, "moth", 3)])
    system.opened[0].there = False
    assert outputs.poll([(system, "moth", 3)])
    assert outputs.by_number[3] is system.opened[1]


def test_one_that_refuses_keeps_nobody_from_playing_and_is_tried_again() -> None:
    system, outputs = System("moth"), Outputs()
    system.busy = True
    assert not outputs.poll([(system, "moth", 3)])
    system.busy = False
    assert outputs.poll([(system, "moth", 3)])
