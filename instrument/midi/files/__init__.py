"""Standard MIDI Files, read as far as they make sense."""
