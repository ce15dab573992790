"""What can go wrong between a controller, or a file of its messages, and the instrument."""


class MidiError(ValueError):
    """A MIDI port or file cannot be used; `str` is the sentence to show."""
