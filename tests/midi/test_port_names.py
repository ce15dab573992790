"""A name, a part of it, or no name at all means certain inputs."""

from __future__ import annotations

import pytest

from instrument.midi.message_decoder import MidiError
from instrument.midi.port_names import PortInfo, check_wanted, choose_ports, jack_port_info

KEYS = jack_port_info("system:midi_capture_1", ("alsa_pcm:Quay-Keys/midi_capture_1",), physical=True)
BRIDGED = jack_port_info("a2j:Buoy Faders [20] (capture): Buoy Faders MIDI 1")
THROUGH = jack_port_info("Midi-Bridge:Midi Through:(capture_0) Midi Through Port-0", physical=True)
PROGRAM = jack_port_info("tide:out")
SEEN_TWICE = PortInfo("Quay-Keys:Quay-Keys MIDI 1 20:0")
ELSEWHERE = PortInfo("Moth Pads:Moth Pads MIDI 1 24:0")


def names(wanted: list[str], *systems: list[PortInfo]) -> list[list[str]]:
    return [[plug.name for plug in plugs] for plugs in choose_ports(wanted, systems)]


def test_without_a_name_every_controller_is_meant_and_no_other_program() -> None:
    assert names([], [KEYS, BRIDGED, THROUGH, PROGRAM]) == [[KEYS.name, BRIDGED.name]]


def test_without_a_name_a_second_system_counts_only_where_the_first_sees_no_controller() -> None:
    assert names([], [KEYS, PROGRAM], [SEEN_TWICE, ELSEWHERE]) == [[KEYS.name], []]
    assert names([], [PROGRAM], [SEEN_TWICE, ELSEWHERE]) == [[], [SEEN_TWICE.name, ELSEWHERE.name]]


@pytest.mark.parametrize("part", ["quay", "QUAY-KEYS", "midi_capture_1"])
def test_a_part_of_a_name_or_of_an_alias_is_enough(part: str) -> None:
    assert names([part], [KEYS, BRIDGED, PROGRAM]) == [[KEYS.name]]


def test_a_part_may_mean_several_and_a_full_name_means_one() -> None:
    tide, tides = PortInfo("tide"), PortInfo("tide two")
    assert names(["tid"], [tide, tides]) == [["tide", "tide two"]]
    assert names(["tide"], [tide, tides]) == [["tide"]]


def test_each_name_takes_the_first_system_that_has_it() -> None:
    assert names(["quay", "moth"], [KEYS, PROGRAM], [SEEN_TWICE, ELSEWHERE]) == [
        [KEYS.name],
        [ELSEWHERE.name],
    ]


def test_two_names_for_one_input_open_it_once() -> None:
    assert names(["quay", "capture_1"], [KEYS]) == [[KEYS.name]]


def test_a_name_that_nothing_has_is_refused_with_the_nearest() -> None:
    check_wanted(["moth", "tide"], [[KEYS, PROGRAM], [ELSEWHERE]])
    with pytest.raises(MidiError, match="no MIDI input 'tidy:out'; did you mean 'tide:out'"):
        check_wanted(["tidy:out"], [[KEYS, PROGRAM]])
    with pytest.raises(MidiError, match="none is connected"):
        check_wanted(["quay"], [[]])
