"""A reader for each format of drawing, and what they share."""
