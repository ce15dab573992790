"""Pitches from outside the project.

Sources
-------
A4: ISO 16:1975, Acoustics - Standard tuning frequency: 440 Hz.
Key numbers: MIDI 1.0 Detailed Specification, note number 60 is middle C; A4 is nine semitones above it.
Frequencies: twelve-tone equal temperament as tabulated by B. H. Suits, Physics of Music - Notes,
Michigan Technological University (rounded to 0.01 Hz there; values from memory).
"""

from __future__ import annotations

A4_HZ = 440.0
A4_KEY = 69

EQUAL_TEMPERAMENT = {
    21: 27.50,
    33: 55.00,
    45: 110.00,
    57: 220.00,
    60: 261.63,
    61: 277.18,
    62: 293.66,
    63: 311.13,
    64: 329.63,
    65: 349.23,
    66: 369.99,
    67: 392.00,
    68: 415.30,
    69: 440.00,
    70: 466.16,
    71: 493.88,
    72: 523.25,
    81: 880.00,
    93: 1760.00,
    108: 4186.01,
}
"""Hertz by MIDI key number."""
