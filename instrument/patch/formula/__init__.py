"""Formulas as they are typed: parsed, checked, and turned into instructions."""
