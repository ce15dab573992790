"""What hands play: MIDI ports, messages, their times, and Standard MIDI Files."""
