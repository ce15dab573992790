"""MIDI: ports, messages and their times, controls, feedback, and Standard MIDI Files."""
