"""The compiled core: program and events in, samples out."""
