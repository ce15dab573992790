"""From strokes to one closed line with the least repetition, and to points along it."""
