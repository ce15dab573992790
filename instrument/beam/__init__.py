"""Light that a display would show: from the path of the spot to pixels."""
