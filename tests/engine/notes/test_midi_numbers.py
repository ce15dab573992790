"""The table of MIDI numbers says what the specification says."""

import pytest

from instrument.engine.notes import midi_numbers
from tests.reference import midi

# Name in the table to the name in the values written down independently.
SAME = {
    "NOTE_OFF": "NOTE_OFF",
    "NOTE_ON": "NOTE_ON",
    "KEY_PRESSURE": "POLY_PRESSURE",
    "CONTROL_CHANGE": "CONTROL_CHANGE",
    "PROGRAM_CHANGE": "PROGRAM_CHANGE",
    "CHANNEL_PRESSURE": "CHANNEL_PRESSURE",
    "PITCH_BEND": "PITCH_BEND",
    "SYSTEM": "SYSTEM",
    "DATA_ENTRY": "DATA_ENTRY",
    "DATA_ENTRY_LOW": "DATA_ENTRY_LOW",
    "DATA_INCREMENT": "DATA_INCREMENT",
    "DATA_DECREMENT": "DATA_DECREMENT",
    "NRPN_LOW": "NRPN_LOW",
    "NRPN_HIGH": "NRPN_HIGH",
    "RPN_LOW": "RPN_LOW",
    "RPN_HIGH": "RPN_HIGH",
    "SUSTAIN": "SUSTAIN",
    "SOSTENUTO": "SOSTENUTO",
    "ALL_SOUND_OFF": "ALL_SOUND_OFF",
    "RESET_CONTROLLERS": "RESET_ALL_CONTROLLERS",
    "ALL_NOTES_OFF": "ALL_NOTES_OFF",
    "RPN_BEND_RANGE": "RPN_BEND_RANGE",
    "RPN_FINE_TUNING": "RPN_FINE_TUNING",
    "RPN_COARSE_TUNING": "RPN_COARSE_TUNING",
    "RPN_ZONE": "RPN_MPE",
    "BEND_CENTRE": "BEND_CENTRE",
}


@pytest.mark.parametrize(("name", "reference"), SAME.items())
def test_a_number_is_that_of_the_specification(name: str, reference: str) -> None:
    assert getattr(midi_numbers, name) == getattr(midi, reference)


def test_messages_of_one_data_byte_are_those_two_of_channels_and_two_of_the_system() -> None:
    one = {status for status, count in midi_numbers.DATA_BYTES.items() if count == 1}
    assert one == {midi.PROGRAM_CHANGE, midi.CHANNEL_PRESSURE, 0xF1, 0xF3}
