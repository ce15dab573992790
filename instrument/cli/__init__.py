"""The commands, a module each: parse, call, print."""
