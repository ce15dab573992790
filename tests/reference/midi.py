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
