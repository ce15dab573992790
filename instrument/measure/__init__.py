"""Measures of a sound: levels, loudness, flashes, dwell, spectrum; and of the engine's own cost."""
