"""Pitches of keys and note names against a published table."""

import pytest

from instrument.patch.number import evaluate, key_to_hertz

# MIDI 1.0 Detailed Specification, MIDI Tuning Standard, "Frequency data format", the list of examples: a key and a
# fraction of a semitone in 16384ths, with the frequency in hertz. A4 = 440 Hz is ISO 16:1975.
TUNING_STANDARD = [
    (0x00, 0, 8.1758),
    (0x01, 0, 8.6620),
    (0x0C, 0, 16.3516),
    (0x3C, 0, 261.6256),
    (0x3D, 0, 277.1826),
    (0x44, 0x3FFF, 439.9984),
    (0x45, 0, 440.0000),
    (0x45, 1, 440.0016),
    (0x78, 0, 8372.0181),
    (0x7F, 0, 12543.8540),
]

# The octave from middle C in twelve-tone equal temperament to a hundredth of a hertz, as printed in
# H. F. Olson, Music, Physics and Engineering, 1967, chapter 3 (from memory).
MIDDLE_OCTAVE = {
    "C4": 261.63,
    "C#4": 277.18,
    "D4": 293.66,
    "Eb4": 311.13,
    "E4": 329.63,
    "F4": 349.23,
    "F#4": 369.99,
    "G4": 392.00,
    "Ab4": 415.30,
    "A4": 440.00,
    "Bb4": 466.16,
    "B4": 493.88,
}


@pytest.mark.parametrize(("key", "fraction", "hertz"), TUNING_STANDARD)
def test_keys_sound_the_frequencies_of_the_midi_tuning_standard(key: int, fraction: int, hertz: float) -> None:
    assert key_to_hertz(key + fraction / 16384) == pytest.approx(hertz, abs=0.5e-4 if hertz < 8000 else 1e-3)


@pytest.mark.parametrize(("name", "hertz"), MIDDLE_OCTAVE.items())
def test_note_names_sound_the_frequencies_of_the_printed_table(name: str, hertz: float) -> None:
    assert round(evaluate(name, notes="hertz"), 2) == hertz


def test_a4_is_exactly_440_hertz() -> None:
    assert evaluate("A4", notes="hertz") == 440.0
