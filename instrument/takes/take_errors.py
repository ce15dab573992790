"""What goes wrong with takes, as sentences to show."""


class TakeError(ValueError):
    """A take cannot be recorded, read or rendered; `str` is the sentence to show."""
