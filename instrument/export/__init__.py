"""Sound, stills, loops and films made from patches, takes and sound files."""
