"""Forms: the bending of a drawing between source and place."""
