"""Numbers of the MIDI protocol: one table that the engine, the ports, JACK's callback and the window read.

Source of all but the last group: MIDI 1.0 Detailed Specification, document version 4.2 (MIDI Manufacturers Association),
with the table or clause beside each. `tests/reference/midi.py` holds the same numbers written down independently.
"""

NOTE_OFF, NOTE_ON, KEY_PRESSURE, CONTROL_CHANGE = 0x80, 0x90, 0xA0, 0xB0
PROGRAM_CHANGE, CHANNEL_PRESSURE, PITCH_BEND = 0xC0, 0xD0, 0xE0
"""Status bytes of channel messages; the lower four bits are the channel (table I)."""

SYSTEM = 0xF0
"""From here on a status byte belongs to no channel (table I); the first of them begins an exclusive message."""

TIME_CODE, SONG_POSITION, SONG_SELECT, END_OF_EXCLUSIVE = 0xF1, 0xF2, 0xF3, 0xF7
"""System common messages (table V)."""

CLOCK, START, CONTINUE, STOP = 0xF8, 0xFA, 0xFB, 0xFC
REAL_TIME = CLOCK
"""System real-time messages, each of one byte; from the first of them on a byte may stand even inside another message
(table VI)."""

DATA_BYTES = {
    NOTE_OFF: 2,
    NOTE_ON: 2,
    KEY_PRESSURE: 2,
    CONTROL_CHANGE: 2,
    PROGRAM_CHANGE: 1,
    CHANNEL_PRESSURE: 1,
    PITCH_BEND: 2,
    TIME_CODE: 1,
    SONG_POSITION: 2,
    SONG_SELECT: 1,
}
"""Data bytes of each channel message, by its status without the channel, and of system common messages (tables I, V)."""

DATA_ENTRY, DATA_ENTRY_LOW, DATA_INCREMENT, DATA_DECREMENT = 6, 38, 96, 97
NRPN_LOW, NRPN_HIGH, RPN_LOW, RPN_HIGH = 98, 99, 100, 101
"""Controllers that select a parameter and move the selected one (table III)."""

LOW_BYTES = 32
"""Controllers 32 to 63 are the low seven bits of 0 to 31 (Control Change)."""

SUSTAIN, SOSTENUTO = 64, 66
"""Controllers of pedals (table III)."""

PEDAL_DOWN = 64
"""Least value at which a switch is on (table III: 0 to 63 off, 64 to 127 on)."""

FIRST_MODE_MESSAGE = ALL_SOUND_OFF = 120
RESET_CONTROLLERS, ALL_NOTES_OFF, MONO_ON, POLY_ON = 121, 123, 126, 127
"""Controllers that are channel mode messages (table IV); those from `ALL_NOTES_OFF` on also let go of all
notes; resetting controllers lifts the pedals (MIDI recommended practice RP-015)."""

RPN_BEND_RANGE, RPN_FINE_TUNING, RPN_COARSE_TUNING = 0, 1, 2
"""Registered parameters (table IIIa)."""

NO_PARAMETER = 0x3FFF
"""Parameter number 7FH 7FH selects none (table IIIa)."""

BEND_CENTRE = 8192
"""Pitch bend of 14 bits at rest: 2000H (Pitch Bend Change)."""

RELEASE_VELOCITY = 64
"""Release velocity where a controller sends none (Note-Off)."""

RPN_ZONE = 6
TIMBRE = 74
"""MPE Configuration Message, and the controller of a key's third dimension: MIDI Polyphonic Expression 1.0 (MIDI
Association, 2018), 2.1 and 2.2.9."""
