"""Modulators, the beat, links, and the schedule that they run in."""
