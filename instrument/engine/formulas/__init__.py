"""Typed formulas: instructions over rows of samples."""
