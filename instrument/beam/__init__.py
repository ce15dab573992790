"""What a display would show: light from where the spot has been, and its fading."""
