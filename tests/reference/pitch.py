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

MEANTONE_CENTS = (76.0, 193.2, 310.3, 386.3, 503.4, 579.5, 696.6, 772.6, 889.7, 1006.8, 1082.9, 1200.0)
"""Quarter-comma meantone on C, from C sharp up, with E flat and G sharp: J. M. Barbour, Tuning and Temperament (1951),
table of Aaron's temperament, there in whole cents (values from memory)."""

JUST_CENTS = {
    "9/8": 203.910,
    "5/4": 386.314,
    "4/3": 498.045,
    "3/2": 701.955,
    "5/3": 884.359,
    "15/8": 1088.269,
    "2/1": 1200.0,
}
"""Steps of the just major scale: H. L. F. Helmholtz, On the Sensations of Tone, translated by A. J. Ellis (1885), appendix
XX, section D (values from memory)."""

MEANTONE_C4_HZ = 263.18
"""C4 where A4 is 440 Hz in quarter-comma meantone: 440 Hz over 889.7 cents, the table above."""
