"""How the engine is compiled: options, units, cache, and compiling ahead."""
