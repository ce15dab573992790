"""From MIDI messages to held notes and the voices of layers."""
