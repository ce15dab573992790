"""Beamhand: an instrument that draws with sound."""

__version__ = "0.1.0"
