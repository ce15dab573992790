"""Numbers of the MIDI 1.0 Detailed Specification (MIDI Manufacturers Association, document version 4.2)."""

from __future__ import annotations

NOTE_OFF, NOTE_ON, POLY_PRESSURE, CONTROL_CHANGE = 0x80, 0x90, 0xA0, 0xB0
PROGRAM_CHANGE, CHANNEL_PRESSURE, PITCH_BEND, SYSTEM = 0xC0, 0xD0, 0xE0, 0xF0
"""Status bytes of channel 1; the lower four bits are the channel. Table 1, Summary of status bytes."""

ALL_SOUND_OFF, ALL_NOTES_OFF = 120, 123
"""Channel mode messages. Table 4, Controller numbers."""

BEND_LOWEST, BEND_CENTRE, BEND_HIGHEST = 0x0000, 0x2000, 0x3FFF
"""Pitch Bend Change: 14 bits, least significant seven first; 2000H is no bend."""

MIDDLE_C = 60
CHANNELS = 16
HIGHEST_DATA = 127

MODULATION, DATA_ENTRY, EXPRESSION, DATA_ENTRY_LOW = 1, 6, 11, 38
SUSTAIN, SOSTENUTO, SOFT = 64, 66, 67
DATA_INCREMENT, DATA_DECREMENT = 96, 97
NRPN_LOW, NRPN_HIGH, RPN_LOW, RPN_HIGH = 98, 99, 100, 101
RESET_ALL_CONTROLLERS = 121
"""Controller numbers. Table 3."""

RPN_BEND_RANGE, RPN_FINE_TUNING, RPN_COARSE_TUNING = 0, 1, 2
"""Registered parameter numbers. Table 3a."""

RPN_MPE = 6
"""MPE Configuration Message: MIDI Association, MIDI Polyphonic Expression 1.0 (2018), section 2.1."""
