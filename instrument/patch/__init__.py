"""Patches: text files that say what is drawn, and their way into the engine."""
