"""Drivers that call the engine, the device that goes and comes back, and what its display needs."""
