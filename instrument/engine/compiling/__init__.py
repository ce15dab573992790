"""Compilation of the engine: options, units, cache, and compiling ahead."""
